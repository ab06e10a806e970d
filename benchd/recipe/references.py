"""`$name` in a recipe: a parameter or a loop variable in place of a value, or inside text.

A reference that is the whole value keeps its kind (`centre: $centre` is a frequency); inside a
longer text it is written out with its unit. `$$` stands for the dollar sign itself.
"""

from __future__ import annotations

import re
from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Any

from benchd.bench.fields import ANY, Given
from benchd.bench.yamlfile import KeyPath, nearest

REFERENCE = re.compile(r"\$(?:\$|([A-Za-z_][A-Za-z0-9_]*))")
PARAMETER_FORM = r"[a-z][a-z0-9_]*"

Scope = Mapping[str, Any]
Finding = tuple[KeyPath, str]


@dataclass
class Filling:
    """Replaces references, and remembers what it met.

    scope: name -> `Given`, or the plain value of a loop.
    findings: one for each reference to a name that does not exist.
    sampled: True once a value was filled in that is not known yet.
    used: the names that were met.
    """

    scope: Scope
    findings: list[Finding] = field(default_factory=list)
    sampled: bool = False
    used: set[str] = field(default_factory=set)

    def fill(self, value: Any, path: KeyPath) -> Any:
        """The same data, which stands at `path`, with every reference replaced."""
        if isinstance(value, dict):
            return {key: self.fill(item, (*path, key)) for key, item in value.items()}
        if isinstance(value, list):
            return [self.fill(item, (*path, index)) for index, item in enumerate(value)]
        if not isinstance(value, str) or "$" not in value:
            return value
        whole = REFERENCE.fullmatch(value)
        if whole and whole.group(1):
            return self._value(whole.group(1), path)
        return REFERENCE.sub(lambda match: self._inside(match, path), value)

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
        return "$" if name is None else as_text(self._value(name, path))


def as_text(value: Any) -> str:
    """A parameter or a loop's value inside a sentence."""
    if isinstance(value, Given):
        return value.text
    if isinstance(value, bool):
        return "yes" if value else "no"
    return str(value)
