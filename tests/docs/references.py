"""Writes docs/reference from the models and schemas that benchd itself reads by.

    python -m tests.docs.references

A test holds that what stands there is what this writes, so the reference cannot lag behind.
"""

from __future__ import annotations

import re
from pathlib import Path
from typing import Any, cast

from benchd.publish import schemas as payload_schemas
from benchd.publish import topics
from benchd.recipe import schemas as file_schemas
from benchd.recipe.schemas import REFERENCE_SCHEMA
from benchd.units import Kind, show
from benchd.web.app import create_app
from benchd.web.settings import HttpSettings

Schema = dict[str, Any]

FOLDER = Path(__file__).resolve().parents[2] / "docs" / "reference"
NOTICE = "<!-- Written by `python -m tests.docs.references`; edit the models, not this file. -->"

RECIPE = """The keys of a recipe, as benchd reads them. [Write a recipe](../recipes.md) says what
they are for, and `benchd check FILE` names the line of what is wrong. Any value of a sweep or a
step may be a parameter of the recipe instead: `$name`. `benchd schemas` writes the same as JSON
Schema, for editors."""
BENCH = """The keys of a bench file, as benchd reads them. [Your own bench](../own-bench.md) builds
one step by step, [More of the bench file](../bench-file.md) tells of dialects and walls."""
REGISTER = """The keys of a register: the antennas of a workshop with their revisions, in files
beside the bench file. `benchd antenna add` writes into it."""
HTTP = """What the daemon answers over HTTP. Bodies and answers are JSON. Every refusal has the form
`{"family", "where", "message", "advice"}`. With a token, each request carries it in the header
`Authorization: Bearer TOKEN`."""
MQTT = """The topics of a bench and the payloads on them. All payloads are JSON objects with the
field `schema`, but for those whose topic holds a bare value. [Subscribe](../dashboards.md) shows
how to use them."""


def written() -> dict[str, str]:
    """File name -> text of each reference."""
    files = file_schemas()
    return {
        "recipe.md": _page("Recipe reference", RECIPE, _objects(files["recipe"], "recipe")),
        "bench.md": _page("Bench file reference", BENCH, _objects(files["bench"], "bench file")),
        "register.md": _page(
            "Register reference", REGISTER, _objects(files["register"], "register")
        ),
        "http.md": _page("HTTP reference", HTTP, _http()),
        "mqtt.md": _page("MQTT reference", MQTT, _mqtt()),
    }


def _page(title: str, about: str, body: str) -> str:
    return f"# {title}\n\n{NOTICE}\n\n{about}\n\n{body.strip()}\n"


# -- objects with keys ---------------------------------------------------------------------------


def _objects(schema: Schema, whole: str) -> str:
    """The whole object, then each part that it consists of, in the order of first mention."""
    definitions = cast("Schema", schema.get("$defs", {}))
    parts = [_object(f"The whole {whole}", schema, definitions)]
    for name in _mentioned(schema, definitions):
        parts.append(_object(_title(name), definitions[name], definitions))
    return "\n\n".join(parts)


def _mentioned(schema: Schema, definitions: Schema) -> list[str]:
    """Names of the definitions in the order in which a reader meets them."""
    found: list[str] = []

    def walk(node: Any) -> None:
        if isinstance(node, list):
            for item in node:
                walk(item)
        if not isinstance(node, dict):
            return
        name = _name(node)
        if name and name not in found and _keys(definitions[name]):
            found.append(name)
            walk(definitions[name])
        for key, item in node.items():
            if key not in ("$defs", "discriminator"):
                walk(item)

    walk({key: value for key, value in schema.items() if key != "$defs"})
    return found


def _name(node: Schema) -> str:
    return str(node.get("$ref", "")).rpartition("/")[2]


def _keys(schema: Schema) -> Schema:
    return cast("Schema", schema.get("properties", {}))


def _object(title: str, schema: Schema, definitions: Schema) -> str:
    lines = [f"## {title}", ""]
    about = _paragraphs(str(schema.get("description", "")))
    if about:
        lines += [about, ""]
    needed = schema.get("required", [])
    lines += ["| key | value | without it | what it is |", "| --- | --- | --- | --- |"]
    for key, one in _keys(schema).items():
        without = "needed" if key in needed else _default(one)
        what = _cell(str(one.get("description", "")))
        lines.append(f"| `{key}` | {_value(one, definitions)} | {without} | {what} |")
    return "\n".join(lines)


def _default(one: Schema) -> str:
    default = one.get("default")
    if default is None or default == [] or default == {}:
        return ""
    if isinstance(default, bool):
        return "yes" if default else "no"
    kind = _measured(one)
    if kind is not None and isinstance(default, (int, float)):
        return f"`{show(default, kind.value.unit)}`"
    return f"`{default}`"


def _measured(one: Schema) -> Kind | None:
    """The kind of quantity that stands here, told by its example."""
    for choice in (one, *one.get("anyOf", ())):
        for kind in Kind:
            if choice.get("examples") == [kind.value.example]:
                return kind
    return None


def _value(one: Schema, definitions: Schema) -> str:
    """What may stand there, in words."""
    name = _name(one)
    if name:
        return _link(name, definitions)
    for key in ("anyOf", "oneOf"):
        if key in one:
            words = [_value(choice, definitions) for choice in one[key]]
            return " or ".join(dict.fromkeys(word for word in words if word))
    if "allOf" in one:
        return _value(one["allOf"][0], definitions)
    if "const" in one:
        return f"`{one['const']}`"
    if "enum" in one:
        if True in one["enum"]:
            return "yes or no"
        return ", ".join(f"`{word}`" for word in one["enum"])
    kind = _measured(one)
    if kind is not None:
        return f"{kind.value.name}, as `{kind.value.example}`"
    if one.get("pattern") == REFERENCE_SCHEMA["pattern"]:
        return ""  # the page says once that a parameter may stand in any place
    return _plain(one, definitions)


def _link(name: str, definitions: Schema) -> str:
    target = definitions[name]
    if not _keys(target):
        return _value({k: v for k, v in target.items() if k != "description"}, definitions)
    title = _title(name)
    return f"[{title.lower()}](#{title.lower().replace(' ', '-')})"


def _plain(one: Schema, definitions: Schema) -> str:
    kind = one.get("type")
    if kind == "null":
        return ""
    if kind == "array":
        inner = one.get("items", {})
        size = one.get("minItems")
        count = f"{size} " if size == one.get("maxItems") and size else ""
        return f"list of {count}{_value(inner, definitions) or 'values'}"
    if kind == "object":
        inner = one.get("additionalProperties")
        if not isinstance(inner, dict):
            inner = next(iter(one.get("patternProperties", {}).values()), {})
        key = "name"
        if "Hz" in str(one.get("propertyNames", {}).get("pattern", "")):
            key = "frequency"
        return f"{key} → {_value(inner, definitions) or 'value'}"
    if kind in ("integer", "number"):
        least, most = one.get("minimum"), one.get("maximum")
        words = "whole number" if kind == "integer" else "number"
        if least is not None and most is not None and most < 1e15:
            words += f" {least:,} to {most:,}"
        elif least is not None:
            words += f", {least:,} or more"
        return words
    return {"string": "text", "boolean": "true or false"}.get(str(kind), "any value")


def _title(name: str) -> str:
    """`CouplerFixture` -> `Coupler fixture`."""
    words = re.sub(r"(?<=[a-z])(?=[A-Z])", " ", name.strip("_").removesuffix("Part")).split()
    return " ".join([words[0], *(word.lower() for word in words[1:])])


def _cell(text: str) -> str:
    return " ".join(text.split()).replace("|", "\\|").replace("<", "&lt;")


def _paragraphs(text: str) -> str:
    """A docstring's paragraphs, each on lines of its own."""
    parts = [_cell(part) for part in re.split(r"\n\s*\n", text.strip())]
    return "\n\n".join(part for part in parts if part)


# -- HTTP ----------------------------------------------------------------------------------------


def _http() -> str:
    document = create_app(cast("Any", object()), HttpSettings()).openapi()
    definitions = cast("Schema", document.get("components", {}).get("schemas", {}))
    parts: list[str] = []
    bodies: list[str] = []
    for path, methods in document["paths"].items():
        for method, one in methods.items():
            parts.append(_call(f"{method.upper()} {path}", one, definitions, bodies))
    for name in bodies:
        parts.append(_object(_title(name), definitions[name], definitions))
    return "\n\n".join(parts)


def _call(title: str, one: Schema, definitions: Schema, bodies: list[str]) -> str:
    lines = [f"## `{title}`", "", _paragraphs(str(one.get("description", "")))]
    content = one.get("requestBody", {}).get("content", {})
    for body in content.values():
        name = _name(body.get("schema", {}))
        if name:
            if name not in bodies:
                bodies.append(name)
            lines += ["", f"Body: {_link(name, definitions)}."]
    given = [p for p in one.get("parameters", []) if p["in"] == "query"]
    if given:
        lines += ["", "| query | value | without it |", "| --- | --- | --- |"]
    for parameter in given:
        schema = parameter.get("schema", {})
        without = "needed" if parameter.get("required") else _default(schema)
        lines.append(f"| `{parameter['name']}` | {_value(schema, definitions)} | {without} |")
    return "\n".join(lines)


# -- MQTT ----------------------------------------------------------------------------------------


def _mqtt() -> str:
    listed = re.findall(r"^    (benchd/\S+)\s{2,}(.+)$", topics.__doc__ or "", re.MULTILINE)
    lines = ["## Topics", "", "| topic | what stands there |", "| --- | --- |"]
    lines += [f"| `{topic}` | {_cell(what)} |" for topic, what in listed]
    parts = ["\n".join(lines)]
    for name, schema in payload_schemas().items():
        definitions = cast("Schema", schema.get("$defs", {}))
        if _keys(schema):
            parts.append(_object(f"`{name}`", schema, definitions))
        for inner in _mentioned(schema, definitions):
            parts.append(_object(_title(inner), definitions[inner], definitions))
    return "\n\n".join(dict.fromkeys(parts))


def main() -> None:
    """Write all references."""
    FOLDER.mkdir(parents=True, exist_ok=True)
    for name, text in written().items():
        (FOLDER / name).write_text(text, encoding="utf-8")
        print(FOLDER / name)


if __name__ == "__main__":
    main()
