"""Reduce and accept steps: do they ask for captures and quantities that will be there?"""

from __future__ import annotations

from collections.abc import Mapping, Set
from dataclasses import dataclass, field
from typing import Any

from pydantic_core import PydanticCustomError

from benchd.bench import Bench
from benchd.files.fields import Measure, Plain
from benchd.files.yamlfile import KeyPath, nearest
from benchd.quantities import Quantity, given_by
from benchd.recipe.flatten import FlatStep, Flattener
from benchd.recipe.model import LimitPart
from benchd.recipe.placeholders import as_text
from benchd.reductions import Reduction, View
from benchd.reductions.worksheet_checks import baseline_path
from benchd.units import Kind, show
from benchd.worksheet import NEWEST, AcceptStep, CaptureStep, Limit, ReduceStep


@dataclass
class ReduceStepBuilder:
    """Builds reduce and accept steps from what came before them.

    captures: capture steps so far, by name; shared with the one who adds them.
    failed: names of captures that are wrong and have been reported; shared likewise.
    some_failed: True once a reduction was left out; limits then cannot be checked.
    refined: captures whose sweeps refine and that no reduction has used so far.
    """

    bench: Bench
    reader: Flattener
    captures: Mapping[str, CaptureStep]
    failed: Set[str]
    some_failed: bool = False
    reductions: dict[str, tuple[Reduction, ReduceStep]] = field(default_factory=dict)
    refined: set[str] = field(default_factory=set)

    def reduce(self, part: Reduction, flat: FlatStep, common: dict[str, Any]) -> ReduceStep | None:
        """One reduce step, or None with its problems noted."""
        step = self._reduce(part, flat, common)
        self.some_failed |= step is None
        return step

    def _reduce(self, part: Reduction, flat: FlatStep, common: dict[str, Any]) -> ReduceStep | None:
        path = (*flat.path, "reduce")
        before = self.reader.noted
        part = part.filled([*self.captures, *sorted(self.failed)])
        values = [as_text(value) for value in flat.bindings.values()]
        name = part.name or " ".join([part.kind, *values])
        if name in self.reductions:
            text = f'the name "{name}" is taken by another reduction; give another name'
            self.reader.note((*path, "name"), text)
        self._check_inputs(part, path)
        wanted = {name for names in part.inputs().values() for name in names}
        wanted |= {one.name for one in part.baselines()}
        self._check_refined(part, path)
        if self.reader.noted > before or wanted & self.failed:
            return None
        view = View(self.bench, self.captures)
        for where, message in part.check(view):
            self.reader.note((*path, *where), message)
        if self.reader.noted > before:
            return None
        step = ReduceStep(
            **common,
            label=f"reduce {name}",
            name=name,
            settings=part.resolved(view),
        )
        self.reductions[name] = (part, step)
        return step

    def _check_inputs(self, part: Reduction, path: KeyPath) -> None:
        for key, names in part.inputs().items():
            for index, name in enumerate(names):
                if name not in self.captures and name not in self.failed:
                    where = (key, index) if index else (key,)
                    self.reader.note((*path, *where), self._no_capture(name))
        for one in part.baselines():
            if one.name not in (NEWEST, *self.captures, *self.failed):
                text = f"{self._no_capture(one.name)}; {NEWEST} takes the newest stored one"
                self.reader.note((*path, *baseline_path(one)), text)

    def _check_refined(self, part: Reduction, path: KeyPath) -> None:
        """A sweep that reads a part of its grid serves the reductions that say so, alone."""
        for key, names in part.inputs().items():
            for index, name in enumerate(names):
                step = self.captures.get(name)
                if step is None or step.sweep.refine_to is None:
                    continue
                self.refined.discard(name)
                if not part.takes_refined:
                    where = (key, index) if index else (key,)
                    self.reader.note(
                        (*path, *where),
                        f'the sweep of "{name}" refines for its own resonance and band edges, and '
                        f"{part.kind} compares captures point by point: leave `refine` out of it",
                    )

    def _no_capture(self, name: str) -> str:
        return f'no earlier step captures "{name}", {nearest(name, self.captures)}'

    def accept(
        self, parts: list[LimitPart], flat: FlatStep, common: dict[str, Any]
    ) -> AcceptStep | None:
        """One accept step, or None with its problems noted."""
        if self.some_failed:
            return None
        limits = [
            self._limit(part, (*flat.path, "accept", index)) for index, part in enumerate(parts)
        ]
        found = [limit for limit in limits if limit is not None]
        if len(found) < len(limits):
            return None
        names = ", ".join(dict.fromkeys(limit.quantity for limit in found))
        return AcceptStep(**common, label=f"accept {names}", limits=tuple(found))

    def _limit(self, part: LimitPart, path: KeyPath) -> Limit | None:
        if part.reduction is not None and part.reduction not in self.reductions:
            hint = nearest(part.reduction, self.reductions)
            text = f'no earlier step reduces "{part.reduction}", {hint}'
            self.reader.note((*path, "reduction"), text)
            return None
        asked = [
            pair
            for name, pair in self.reductions.items()
            if part.reduction is None or name == part.reduction
        ]
        known: dict[str, Kind | None] = {}
        for reduction, _ in asked:
            rows = [row for row in given_by(reduction.kind) if _is_asked(reduction, row)]
            known.update({row.name: row.kind for row in rows})
        if part.quantity not in known:
            hint = nearest(part.quantity, known)
            text = f'no earlier reduction gives the quantity "{part.quantity}", {hint}'
            self.reader.note((*path, "quantity"), text)
            return None
        if not self._check_frequency(part, [step for _, step in asked], path):
            return None
        return self._read(part, known[part.quantity], path)

    def _check_frequency(self, part: LimitPart, steps: list[ReduceStep], path: KeyPath) -> bool:
        if part.at is None:
            return True
        reported = [value for step in steps for value in step.settings.reported_hz]
        if any(abs(value - part.at) <= 1e-9 * part.at for value in reported):
            return True
        listed = ", ".join(show(value, "Hz") for value in dict.fromkeys(reported)) or "none"
        text = f"{show(part.at, 'Hz')} is not among the frequencies that are reported: {listed}"
        self.reader.note((*path, "at"), text)
        return False

    def _read(self, part: LimitPart, kind: Kind | None, path: KeyPath) -> Limit | None:
        reader = Plain() if kind is None else Measure(kind)
        ends: dict[str, float] = {}
        for key in ("least", "most"):
            value = getattr(part, key)
            if value is None:
                continue
            try:
                ends[key] = reader.read(value)
            except PydanticCustomError as error:
                self.reader.note((*path, key), str(error))
                return None
        if len(ends) == 2 and ends["least"] > ends["most"]:
            self.reader.note((*path, "most"), "lies below `least`: nothing could be accepted")
            return None
        return Limit(quantity=part.quantity, at_hz=part.at, reduction=part.reduction, **ends)


def _is_asked(reduction: Reduction, row: Quantity) -> bool:
    """False for a quantity that comes only with a key which this reduction leaves out."""
    keys = {field.alias or name: name for name, field in type(reduction).model_fields.items()}
    return not row.needs or getattr(reduction, keys[row.needs]) is not None
