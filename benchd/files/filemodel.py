"""Checking a document against pydantic models, and putting their refusals into plain words.

Every refusal becomes a `Problem` with line, column and key path. Unknown keys and missing keys
need to know which model was being read where; the models note that down while they read.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Any, TypeVar

from pydantic import BaseModel, ConfigDict, ValidationError, ValidationInfo, model_validator
from pydantic_core import ErrorDetails

from benchd.errors import FileError, Problem
from benchd.files.fields import STORED, describe
from benchd.files.yamlfile import Document, KeyPath, in_order, nearest

# Tags of unions are written so that they can never be mistaken for a key of the file.
TAG_START = "<"


@dataclass
class Reading:
    """What is shared while one document is read.

    draft: True while some values are samples; checks between values then keep still.
    models: id of a mapping of the document -> the model that read it.
    """

    draft: bool = False
    models: dict[int, type[BaseModel]] = field(default_factory=dict)


class FileModel(BaseModel):
    """Base of everything that is read from a file."""

    model_config = ConfigDict(frozen=True, extra="forbid", populate_by_name=False)

    @model_validator(mode="before")
    @classmethod
    def _note_model(cls, data: Any, info: ValidationInfo) -> Any:
        if isinstance(info.context, Reading) and isinstance(data, dict):
            info.context.models[id(data)] = cls
        if info.context is STORED and isinstance(data, dict):
            fields = cls.model_fields
            return {
                (fields[key].alias or key) if key in fields else key: value
                for key, value in data.items()
            }
        return data


def is_draft(info: ValidationInfo) -> bool:
    """True where checks between values must keep still: some values are samples, or all were
    checked when benchd wrote them."""
    return info.context is STORED or (isinstance(info.context, Reading) and info.context.draft)


M = TypeVar("M", bound=BaseModel)


def read_model(
    model: type[M], document: Document, *, error: type[FileError], draft: bool = False
) -> M:
    """The document as a model. Raises `error` with all problems."""
    found, problems = try_model(model, document.data, document, draft=draft)
    if found is None or problems:
        raise error(in_order(problems))
    return found


def try_model(
    model: type[M], data: Any, document: Document, *, under: KeyPath = (), draft: bool = False
) -> tuple[M | None, list[Problem]]:
    """Read `data`, which stands in the document at `under`. Returns the model or its problems."""
    reading = Reading(draft=draft)
    try:
        return model.model_validate(data, context=reading), []
    except ValidationError as refusal:
        problems = [
            _problem(details, data, document, under, reading, model)
            for details in refusal.errors(include_url=False)
        ]
        return None, list(dict.fromkeys(problems))


def _problem(
    details: ErrorDetails,
    data: Any,
    document: Document,
    under: KeyPath,
    reading: Reading,
    model: type[BaseModel],
) -> Problem:
    path = _real_path(details["loc"], data)
    kind = details["type"]
    context = details.get("ctx", {})
    if kind == "benchd":
        message = str(context["message"])
        at = context.get("at", ())
        on_key = bool(at) or "[key]" in details["loc"]
        return document.problem((*under, *path, *at), message, on_key=on_key)
    if kind == "extra_forbidden":
        owner = reading.models.get(id(_step_into(data, path[:-1])), model)
        message = f"is not a key here, {nearest(str(path[-1]), _keys(owner))}"
        return document.problem((*under, *path), message, on_key=True)
    if kind.startswith("union_tag"):
        has_kind = _has(_step_into(data, path), "kind")
        path = (*path, "kind") if has_kind else path
        return document.problem((*under, *path), _other(kind, details), on_key=not has_kind)
    if kind == "missing":
        name = str(details["loc"][-1])
        parent = path[:-1] if path and path[-1] == name else path
        owner = reading.models.get(id(_step_into(data, parent)), model)
        message = f'the key "{name}" is missing: {_about(owner, name)}'
        return document.problem((*under, *parent), message, on_key=True)
    return document.problem((*under, *path), _other(kind, details))


def _real_path(loc: tuple[int | str, ...], data: Any) -> KeyPath:
    """The part of a pydantic location that exists in the data, plus a last unknown key."""
    path: list[str | int] = []
    current = data
    for part in loc:
        if not _has(current, part):
            # A mark of pydantic's own stands for no key; a key that looks like one is a key.
            if isinstance(part, str) and (part.startswith(TAG_START) or part == "[key]"):
                continue
            break
        current = current[part]
        path.append(part)
    return tuple(path)


def _has(data: Any, part: int | str) -> bool:
    if isinstance(data, list):
        return isinstance(part, int) and part < len(data)
    return isinstance(data, dict) and part in data


def _step_into(data: Any, path: KeyPath) -> Any:
    for part in path:
        data = data[part]
    return data


def _keys(model: type[BaseModel]) -> list[str]:
    return [info.alias or name for name, info in model.model_fields.items()]


def _about(model: type[BaseModel], key: str) -> str:
    for name, info in model.model_fields.items():
        if (info.alias or name) == key:
            return info.description or key
    return key


def _other(kind: str, details: ErrorDetails) -> str:
    """Words for the refusals of pydantic's own types."""
    found = describe(details["input"])
    context = details.get("ctx", {})
    if kind in ("model_type", "model_attributes_type", "dict_type"):
        return f"found {found}, expected a mapping of keys to values"
    if kind in ("list_type", "tuple_type"):
        return f"found {found}, expected a list"
    if kind == "too_short":
        size, least = context["actual_length"], context["min_length"]
        return f"found {size or 'no'} items, expected {least} or more"
    if kind == "too_long":
        return f"found more than {context['max_length']} items, expected that many at most"
    if kind == "union_tag_invalid":
        tags = [tag.strip(" '<>") for tag in str(context["expected_tags"]).split(",")]
        given = str(context["tag"]).strip("<>")
        return f'the kind "{given}" is not known, {nearest(given, tags)}'
    if kind == "union_tag_not_found":
        if isinstance(details["input"], dict):
            return 'the key "kind" with one of the kinds is missing'
        return f'found {found}, expected a mapping with the key "kind"'
    return f"found {found}: {details['msg']}"
