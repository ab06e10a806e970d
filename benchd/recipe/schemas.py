"""JSON Schemas of recipe, bench, register and worksheet, for editors and other programs."""

from __future__ import annotations

from typing import Any

from benchd.bench import Bench
from benchd.bench.register import RegisterFile
from benchd.files.filemodel import FileModel
from benchd.recipe.model import RecipeFile, StepPart, Sweep
from benchd.recipe.placeholders import PARAMETER_FORM
from benchd.worksheet import Worksheet

DIALECT = "https://json-schema.org/draft/2020-12/schema"
REFERENCE_SCHEMA = {"type": "string", "pattern": rf"^\$({PARAMETER_FORM}|\{{.*\}})$"}
INSIDE_SCHEMA = {
    "type": "string",
    "pattern": rf"^[\w .,()-]*(?:\${PARAMETER_FORM}[\w .,()-]*)+$",
}
"""A name with references inside it, such as `night $turn`."""

_LEAVES = ("pattern", "enum", "const")
_NUMBERS = ("integer", "number", "boolean")
_NO_SCHEMAS = ("default", "examples", "required", "propertyNames")


class _WholeRecipe(FileModel):
    """Carries the parts that a recipe file names only when they are read."""

    file: RecipeFile
    sweep: Sweep
    step: StepPart


def schemas() -> dict[str, dict[str, Any]]:
    """Name -> JSON Schema: `recipe`, `bench`, `register`, `worksheet`."""
    register = _without_null(RegisterFile.model_json_schema())
    bench = _without_null(Bench.model_json_schema())
    return {
        "recipe": _recipe_schema(),
        "bench": _titled(bench, "benchd bench file"),
        "register": _titled(register, "benchd register of antennas"),
        "worksheet": _titled(Worksheet.model_json_schema(mode="serialization"), "benchd worksheet"),
    }


def _titled(schema: dict[str, Any], title: str) -> dict[str, Any]:
    return {"$schema": DIALECT, **schema, "title": title}


def _recipe_schema() -> dict[str, Any]:
    parts = _without_null(_WholeRecipe.model_json_schema())
    definitions: dict[str, Any] = parts["$defs"]
    step, sweep = {"$ref": "#/$defs/StepPart"}, {"$ref": "#/$defs/Sweep"}
    for name, definition in definitions.items():
        if name not in ("RecipeFile", "Parameter"):
            definitions[name] = _with_references(definition)
    definitions["RepeatPart"]["properties"]["steps"]["items"] = step
    definitions["CapturePart"]["properties"]["name"]["anyOf"].append(INSIDE_SCHEMA)
    recipe = definitions.pop("RecipeFile")
    recipe["properties"]["steps"]["items"] = step
    patterns = recipe["properties"]["sweeps"]["patternProperties"]
    recipe["properties"]["sweeps"]["patternProperties"] = dict.fromkeys(patterns, sweep)
    definitions["StepPart"]["minProperties"] = definitions["StepPart"]["maxProperties"] = 1
    return _titled({**recipe, "$defs": definitions}, "benchd recipe")


def _without_null(schema: Any) -> Any:
    """The same schema, where a key that may be left out need not be null instead.

    The reader takes both; an editor's message is clearer with one choice less.
    """
    if isinstance(schema, list):
        return [_without_null(item) for item in schema]
    if not isinstance(schema, dict):
        return schema
    found = {key: _without_null(value) for key, value in schema.items()}
    if "default" in found and found["default"] is None:
        del found["default"]
        left = [choice for choice in found.get("anyOf", []) if choice != {"type": "null"}]
        if len(left) == 1:
            del found["anyOf"]
            return {**left[0], **found}
    return found


def _with_references(schema: Any) -> Any:
    """The same schema, where every plain value may also be `$name`."""
    if isinstance(schema, list):
        return [_with_references(item) for item in schema]
    if not isinstance(schema, dict):
        return schema
    if any(key in schema for key in _LEAVES) or schema.get("type") in _NUMBERS:
        about = {key: schema[key] for key in ("description", "default", "title") if key in schema}
        plain = {key: value for key, value in schema.items() if key not in about}
        return {**about, "anyOf": [plain, REFERENCE_SCHEMA]}
    return {
        key: value if key in _NO_SCHEMAS else _with_references(value)
        for key, value in schema.items()
    }
