"""The values that a recipe runs with: what was given when queueing, then the defaults."""

from __future__ import annotations

from collections.abc import Mapping

from pydantic_core import PydanticCustomError

from benchd.bench import Bench
from benchd.errors import Problem, RecipeError
from benchd.files.fields import Given, describe, with_article, wrong
from benchd.files.yamlfile import MOST_PROBLEMS, nearest, printable
from benchd.recipe.load import Recipe
from benchd.recipe.parameters import Parameter

MOST_CHARACTERS = 200


def read_arguments(recipe: Recipe, bench: Bench, arguments: Mapping[str, str]) -> dict[str, Given]:
    """Every parameter with its value. Raises RecipeError with all problems at once."""
    problems: list[Problem] = []
    for name in arguments:
        if name not in recipe.parameters:
            hint = nearest(str(name), recipe.parameters)
            problems.append(_given_problem(name, f'"{recipe.name}" has no such parameter, {hint}'))
    found: dict[str, Given] = {}
    # Wavelengths last: the frequency that they belong to must be known.
    rows = sorted(recipe.parameters.items(), key=lambda row: row[1].wavelengths is not None)
    for name, parameter in rows:
        try:
            if name in arguments:
                text = arguments[name]
                _check_text(text)
                found[name] = parameter.from_text(name, text)
            elif parameter.default is not None:
                found[name] = parameter.given(name, parameter.default)
            elif parameter.of is not None:
                if parameter.of in found:
                    found[name] = parameter.from_wavelength(name, found[parameter.of].value)
                continue
            else:
                raise wrong(_missing(name, parameter, bench))
            _check_on_bench(found[name], bench)
        except PydanticCustomError as error:
            if name in arguments or parameter.default is None:
                problems.append(_given_problem(name, str(error)))
            else:
                path = ("parameters", name, "default")
                problems.append(recipe.document.problem(path, str(error)))
    if problems:
        raise RecipeError(problems[:MOST_PROBLEMS])
    return {name: found[name] for name in recipe.parameters}


def shown(value: object) -> object:
    """A value for a person and for JSON: quantities as text with their unit."""
    if not isinstance(value, Given):
        return value
    return value.text if isinstance(value.value, float) and value.kind != "number" else value.value


def _check_text(text: object) -> None:
    """Arguments come from outside: whatever cannot be shown again is refused unshown."""
    if not isinstance(text, str):
        raise wrong(f"found {describe(text)}, expected text")
    if len(text) > MOST_CHARACTERS:
        raise wrong(f"found {len(text)} characters, expected {MOST_CHARACTERS} at most")
    if "\n" in text or "\t" in text or not printable(text):
        raise wrong("found an unprintable character; take it out")


def _given_problem(name: str, message: str) -> Problem:
    shown_name = name[:60] if printable(name) else "?"
    return Problem(f'parameter "{shown_name}"', 0, 0, "", message)


def _missing(name: str, parameter: Parameter, bench: Bench) -> str:
    known = {
        "antenna": list(bench.antennas) or ["none on this bench"],
        "route": list(bench.routes),
        "choice": parameter.choices,
    }.get(parameter.kind)
    about = f" ({parameter.about})" if parameter.about else ""
    words = f", one of: {', '.join(known)}" if known else ""
    return f"has no default and must be given: {with_article(parameter.kind)}{about}{words}"


def _check_on_bench(given: Given, bench: Bench) -> None:
    names = {"antenna": list(bench.antennas), "route": list(bench.routes)}
    known = names.get(given.kind)
    if known is not None and given.value not in known:
        hint = nearest(str(given.value), known)
        raise wrong(
            f'the bench "{bench.bench}" has no {given.kind} {describe(given.value)}, {hint}'
        )
