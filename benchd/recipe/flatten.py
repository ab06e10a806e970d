"""Steps with their references filled in and their loops unrolled."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass, field
from typing import Any

from benchd.errors import Problem
from benchd.files.fields import Given
from benchd.files.filemodel import try_model
from benchd.files.yamlfile import Document, KeyPath, nearest
from benchd.recipe.model import RepeatPart, StepPart, Sweep
from benchd.recipe.placeholders import Filling, Scope

MOST_STEPS = 10_000
TURN = "turn"


@dataclass(frozen=True)
class FlatStep:
    """One step after unrolling. `bindings`: loop variable -> its value here."""

    part: StepPart
    path: KeyPath
    scope: Scope
    bindings: dict[str, Any]


class TooManySteps(Exception):
    """The loops unroll into more steps than a job may have; the problem is noted already."""


@dataclass
class Flattener:
    """Reads the steps and sweeps of one document.

    draft: unroll only the first value of each loop, enough to check what is written.
    problems: what was found so far; the same fault met in several turns is kept once.
    noted: how often `note` was called, repetitions included.
    """

    document: Document
    draft: bool = False
    problems: dict[Problem, None] = field(default_factory=dict)
    noted: int = 0
    _visited: int = 0
    _read_once: dict[KeyPath, Any] = field(default_factory=dict)
    _loop_names: set[str] = field(default_factory=set)

    def steps(
        self, raw: list[Any], path: KeyPath, scope: Scope, bindings: Mapping[str, Any]
    ) -> Iterator[FlatStep]:
        """The steps in the order of doing. Steps that do not read well are noted and left out."""
        for index, step in enumerate(raw):
            here = (*path, index)
            self._count(here)
            repeated = isinstance(step, dict) and isinstance(step.get("repeat"), dict)
            part = self._read_repeat(step, here, scope) if repeated else None
            if part is not None and part.repeat is not None:
                yield from self._turns(part.repeat, (*here, "repeat"), scope, bindings)
            elif not repeated:
                part = self.read(StepPart, step, here, scope)
                if part is not None:
                    yield FlatStep(part, here, scope, dict(bindings))

    def sweep(self, name: str, scope: Scope, path: KeyPath) -> Sweep | None:
        """One of the recipe's sweeps. `path` is where it was asked for."""
        sweeps = self.document.data.get("sweeps") or {}
        if not isinstance(sweeps, dict) or name not in sweeps:
            known = sweeps if isinstance(sweeps, dict) else {}
            self.note(path, f'there is no sweep "{name}", {nearest(name, known)}')
            return None
        found: Sweep | None = self.read(Sweep, sweeps[name], ("sweeps", name), scope)
        return found

    def read(self, model: Any, raw: Any, path: KeyPath, scope: Scope) -> Any:
        """One part of the document as a model, or None with its problems noted.

        Read once where no loop variable enters: a thousand turns are mostly the same steps.
        """
        if path in self._read_once:
            return self._read_once[path]
        filling = Filling(scope)
        filled = filling.fill(raw, path)
        for where, message in filling.findings:
            self.note(where, message)
        found, problems = try_model(model, filled, self.document, under=path, draft=filling.sampled)
        self.problems.update(dict.fromkeys(problems))
        if not filling.used & self._loop_names:
            self._read_once[path] = found
        return found

    def note(self, path: KeyPath, message: str, *, on_key: bool = False) -> None:
        """Add a problem."""
        self.noted += 1
        self.problems[self.document.problem(path, message, on_key=on_key)] = None

    def _count(self, path: KeyPath) -> None:
        self._visited += 1
        if self._visited > MOST_STEPS:
            self.note(path[:1], f"unrolls into more than {MOST_STEPS} steps")
            raise TooManySteps

    def _read_repeat(self, step: dict[str, Any], path: KeyPath, scope: Scope) -> StepPart | None:
        # The steps inside are read turn by turn, when the loop variable is known.
        inner = step["repeat"].get("steps")
        head = {**step, "repeat": {**step["repeat"]}}
        if isinstance(inner, list):
            head["repeat"]["steps"] = ["..."] * len(inner)
        part: StepPart | None = self.read(StepPart, head, path, scope)
        return part

    def _turns(
        self, repeat: RepeatPart, path: KeyPath, scope: Scope, bindings: Mapping[str, Any]
    ) -> Iterator[FlatStep]:
        raw: Any = self.document.data
        for key in (*path, "steps"):
            raw = raw[key]
        if repeat.over is not None:
            name, values = next(iter(repeat.over.items()))
            where: KeyPath = (*path, "over", name)
        else:
            name, values, where = TURN, list(range(1, (repeat.times or 0) + 1)), path
        if name in scope:
            self.note(where, f'the name "{name}" is taken already; choose another', on_key=True)
            return
        self._loop_names.add(name)
        for value in values[:1] if self.draft else values:
            plain = value.value if isinstance(value, Given) else value
            yield from self.steps(
                raw, (*path, "steps"), {**scope, name: value}, {**bindings, name: plain}
            )
