"""`$name` in a recipe: a parameter or a loop variable in place of a value, or inside text.

A placeholder that is the whole value keeps its kind (`centre: $centre` is a frequency); inside a
longer text it is written out with its unit. `$$` stands for the dollar sign itself.
`${name * 0.5}` is a measured quantity times a number, such as half of a length.
"""

from __future__ import annotations

import re
from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Any

from benchd.files.fields import ANY, Given
from benchd.files.yamlfile import KeyPath, nearest
from benchd.recipe.parameters import MEASURES
from benchd.units import show

PLACEHOLDER = re.compile(r"\$(?:\$|([A-Za-z_][A-Za-z0-9_]*)|\{([^{}$]*)\})")
SHARE = re.compile(r"\s*([A-Za-z_][A-Za-z0-9_]*)\s*\*\s*(-?\d{1,6}(?:\.\d{1,9})?)\s*")
SHARED = ("length", "time", "frequency")
"""Kinds that a number may multiply: a level or a ratio in dB times a number means nothing."""
PARAMETER_FORM = r"[a-z][a-z0-9_]*"

Scope = Mapping[str, Any]
Finding = tuple[KeyPath, str]


@dataclass
class Filling:
    """Replaces placeholders, and remembers what it met.

    scope: name -> `Given`, or the plain value of a loop.
    findings: one for each placeholder of a name that does not exist.
    sampled: True once a value was filled in that is not known yet.
    used: the names that were met.
    """

    scope: Scope
    findings: list[Finding] = field(default_factory=list)
    sampled: bool = False
    used: set[str] = field(default_factory=set)

    def fill(self, value: Any, path: KeyPath) -> Any:
        """The same data, which stands at `path`, with every placeholder replaced."""
        if isinstance(value, dict):
            return {key: self.fill(item, (*path, key)) for key, item in value.items()}
        if isinstance(value, list):
            return [self.fill(item, (*path, index)) for index, item in enumerate(value)]
        if not isinstance(value, str) or "$" not in value:
            return value
        whole = PLACEHOLDER.fullmatch(value)
        if whole and whole.group(1):
            return self._value(whole.group(1), path)
        if whole and whole.group(2) is not None:
            return self._share(whole.group(2), path)
        return PLACEHOLDER.sub(lambda match: self._inside(match, path), value)

    def _value(self, name: str, path: KeyPath) -> Any:
        self.used.add(name)
        if name not in self.scope:
            hint = nearest(name, self.scope)
            message = f'there is no parameter or loop variable "${name}", {hint}'
            self.findings.append((path, message))
            self.sampled = True
            return Given(name, ANY, 1.0, "sample", sample=True)
        value = self.scope[name]
        self.sampled |= isinstance(value, Given) and value.sample
        return value

    def _inside(self, match: re.Match[str], path: KeyPath) -> str:
        name = match.group(1)
        if match.group(2) is not None:
            return as_text(self._share(match.group(2), path))
        return "$" if name is None else as_text(self._value(name, path))

    def _share(self, text: str, path: KeyPath) -> Any:
        """A parameter times a number."""
        found = SHARE.fullmatch(text)
        if found is None:
            message = f'found "${{{text}}}", expected a name times a number: "${{edge * 0.5}}"'
            self.findings.append((path, message))
            self.sampled = True
            return Given("", ANY, 1.0, "sample", sample=True)
        value, factor = self._value(found.group(1), path), float(found.group(2))
        if isinstance(value, Given) and value.sample:
            return value
        if not isinstance(value, Given) or value.kind not in SHARED:
            what = (
                f'"{value.name}" is a {value.kind}'
                if isinstance(value, Given)
                else "a loop's value"
            )
            message = f"{what}: only a {', '.join(SHARED[:-1])} or {SHARED[-1]} can be multiplied"
            self.findings.append((path, message))
            self.sampled = True
            return Given("", ANY, 1.0, "sample", sample=True)
        product = value.value * factor
        unit = MEASURES[value.kind].value.unit
        return Given(value.name, value.kind, product, show(product, unit, precision=3))


def as_text(value: Any) -> str:
    """A parameter or a loop's value inside a sentence."""
    if isinstance(value, Given):
        return value.text
    if isinstance(value, bool):
        return "yes" if value else "no"
    return str(value)
