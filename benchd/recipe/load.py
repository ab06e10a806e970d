"""A recipe as read from its file: checked as far as possible without a bench or arguments."""

from __future__ import annotations

import hashlib
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from pydantic_core import PydanticCustomError

from benchd.errors import RecipeError
from benchd.files.fields import ANY, Given
from benchd.files.filemodel import try_model
from benchd.files.yamlfile import Document, in_order, nearest, parse_document, read_document
from benchd.recipe.flatten import Flattener, TooManySteps
from benchd.recipe.model import RecipeFile, Sweep
from benchd.recipe.parameters import SPAN, Parameter
from benchd.worksheet import OnInterrupt


@dataclass(frozen=True)
class Recipe:
    """A recipe that reads well. Sweeps and steps stay as written until parameters are known.

    hash: SHA-256 (hexadecimal) of the text, line ends apart.
    """

    name: str
    title: str
    about: str
    parameters: dict[str, Parameter]
    on_interrupt: OnInterrupt
    document: Document
    hash: str

    @property
    def file(self) -> str:
        """Name of the file, for messages."""
        return self.document.file

    @property
    def text(self) -> str:
        """The file as it was read."""
        return self.document.text


def load_recipe(source: Path | str, *, file: str = "") -> Recipe:
    """Read a recipe from a file (a Path) or from its text (a str).

    file: name for messages; for text it should say where the text came from.
    Raises RecipeError with all problems that can be seen without a bench.
    """
    if isinstance(source, Path):
        document = read_document(source, error=RecipeError, file=file)
    else:
        document = parse_document(source, file=file or "recipe", error=RecipeError)
    recipe, problems = try_model(RecipeFile, document.data, document)
    reader = Flattener(document, draft=True, problems=dict.fromkeys(problems))
    if isinstance(document.data, dict):
        _read_parts(reader, document.data)
    if recipe is not None:
        _check_following(reader, recipe.parameters)
    if recipe is None or reader.problems:
        raise RecipeError(in_order(reader.problems))
    text = "\n".join(document.text.splitlines())
    return Recipe(
        name=recipe.recipe,
        title=recipe.title,
        about=recipe.about or "",
        parameters=recipe.parameters,
        on_interrupt=recipe.on_interrupt,
        document=document,
        hash=hashlib.sha256(text.encode("utf-8", "surrogatepass")).hexdigest(),
    )


def _read_parts(reader: Flattener, data: dict[str, Any]) -> None:
    """Read every sweep and step once, with defaults or samples in place of arguments."""
    scope = _sample_scope(reader.document, data.get("parameters"))
    used: set[str] = set()
    steps = data.get("steps")
    try:
        for flat in reader.steps(steps if isinstance(steps, list) else [], ("steps",), scope, {}):
            capture = flat.part.capture
            if capture is not None:
                used.add(capture.sweep)
                reader.sweep(capture.sweep, flat.scope, (*flat.path, "capture", "sweep"))
    except TooManySteps:
        return
    sweeps = data.get("sweeps")
    for name, sweep in (sweeps if isinstance(sweeps, dict) else {}).items():
        if name not in used:
            reader.read(Sweep, sweep, ("sweeps", name), scope)


def _check_following(reader: Flattener, parameters: dict[str, Parameter]) -> None:
    """A default that follows from another parameter names one that a frequency can be had from.

    That one's own default follows from none but an antenna, so that no two wait for each other.
    """
    known = [name for name, one in parameters.items() if one.kind in ("frequency", "antenna")]
    for name, one in parameters.items():
        if one.of is None:
            continue
        path = ("parameters", name, "of")
        if one.of not in known:
            hint = nearest(one.of, known)
            text = f'there is no parameter of kind frequency "{one.of}", nor of kind antenna'
            reader.note(path, f"{text}, {hint}")
            continue
        base = parameters[one.of]
        if one.times == SPAN and base.kind != "antenna":
            path = ("parameters", name, "times")
            reader.note(path, f'span is that of an antenna, and "{one.of}" is a frequency')
        elif base.of is not None and parameters.get(base.of, base).kind != "antenna":
            reader.note(path, f'"{one.of}" follows from "{base.of}" itself; name "{base.of}"')


def _sample_scope(document: Document, raw: Any) -> dict[str, Given]:
    scope: dict[str, Given] = {}
    for name, described in (raw if isinstance(raw, dict) else {}).items():
        parameter, problems = try_model(Parameter, described, document, under=("parameters", name))
        if parameter is None or problems:
            # Reported where the whole file is read; here it may only not add to the noise.
            scope[name] = Given(name, ANY, 1.0, "sample", sample=True)
            continue
        scope[name] = default_or_sample(name, parameter)
    return scope


def default_or_sample(name: str, parameter: Parameter) -> Given:
    """The default, or a stand-in where there is none."""
    if parameter.default is None:
        return parameter.sample(name)
    try:
        return parameter.given(name, parameter.default)
    except PydanticCustomError:
        return Given(name, ANY, 1.0, "sample", sample=True)
