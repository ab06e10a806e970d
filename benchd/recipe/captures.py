"""Capture steps: route, position, switches, sweep and level budget held against the bench."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field
from typing import Any

from benchd.bench import (
    Bench,
    Route,
    excesses,
    highest_safe_level_dbm,
    level_budget,
    port_level_dbm,
    unstated_inputs,
)
from benchd.files.yamlfile import KeyPath, nearest
from benchd.recipe.cautions import LID_OPEN, capture_cautions
from benchd.recipe.flatten import FlatStep, Flattener
from benchd.recipe.model import CapturePart, Sweep
from benchd.recipe.parameters import NO_POSITION
from benchd.recipe.placeholders import as_text
from benchd.recipe.sweeps import plan_on, sweep_findings
from benchd.recipe.timing import sweep_time_s, switching_time_s
from benchd.traces import Role
from benchd.worksheet import NEWEST, CaptureStep, LevelRow, SwitchSetting

NEEDS_ANTENNA = ("test", "reference")

LARGEST_OPEN_LID_DBM = 0.0
"""Most that may reach a port in a capture that wants the lid open. 1 mW into 10 dBi gives
0.08 W/m2 at 0.1 m, a fiftieth of what ICNIRP 2020 allows the public at 1 GHz (whole body, f/200
in W/m2 with f in MHz; from memory). Whether it may be sent at all, local rules decide."""


@dataclass(frozen=True)
class Place:
    """A route and a position on it that exist on the bench."""

    route: Route
    label: str
    position: str | None
    switching: tuple[SwitchSetting, ...]
    switching_s: float


@dataclass(frozen=True)
class Excess:
    """One limit that a capture would pass, or that nobody has stated.

    highest_level_dbm: the source level that would keep it; None where no level is known to.
    """

    sentence: str
    highest_level_dbm: float | None


@dataclass
class CaptureBuilder:
    """Builds capture steps and remembers them by name.

    failed: names of captures that are described but wrong; what needs them keeps still.
    """

    bench: Bench
    reader: Flattener
    by_name: dict[str, CaptureStep] = field(default_factory=dict)
    unsafe: list[Excess] = field(default_factory=list)
    highest_port_dbm: float = float("-inf")
    failed: set[str] = field(default_factory=set)
    _safeties: dict[Any, tuple[tuple[LevelRow, ...], float, tuple[str, ...]]] = field(
        default_factory=dict
    )
    _hashes: dict[str, dict[str, str]] = field(default_factory=dict)

    def capture(
        self, part: CapturePart, flat: FlatStep, common: dict[str, Any]
    ) -> CaptureStep | None:
        """One capture step, or None with its problems noted."""
        path = (*flat.path, "capture")
        before = self.reader.noted
        place = self.place(part.route, part.position, path)
        self._check_antenna(part, path)
        name = self._name(part, flat, path)
        sweep = self.reader.sweep(part.sweep, flat.scope, (*path, "sweep"))
        self.failed.add(name)
        if sweep is None or place is None:
            return None
        for key, message in sweep_findings(self.bench, place.route, part.route, sweep):
            self.reader.note(("sweeps", part.sweep, key), message)
        if sweep.refine is not None and sweep.refine.to_hz is not None:
            self._check_refined(part, place.route, path)
        if self.reader.noted > before:
            return None
        step = self._build(part, name, place, sweep, common)
        self.by_name[name] = step
        self.failed.discard(name)
        return step

    def place(self, route: str, position: str | None, path: KeyPath) -> Place | None:
        """A route with a position, or None with the problem noted."""
        found = self.bench.routes.get(route)
        if found is None:
            hint = nearest(route, self.bench.routes)
            text = f'the bench "{self.bench.bench}" has no route "{route}", {hint}'
            self.reader.note((*path, "route"), text)
            return None
        if position == NO_POSITION:
            position = None
        if position is None and found.positions:
            known = ", ".join(found.positions)
            text = f'the route "{route}" needs the key "position", one of: {known}'
            self.reader.note(path, text, on_key=True)
            return None
        if position is not None and position not in found.positions:
            self.reader.note((*path, "position"), self._no_position(route, position, found))
            return None
        switching = self.bench.switch_settings(route, position)
        label = f"{route}/{position}" if position else route
        seconds = switching_time_s(self.bench, switching)
        return Place(found, label, position, switching, seconds)

    def _no_position(self, name: str, position: str, route: Route) -> str:
        if route.positions:
            hint = nearest(position, route.positions)
            return f'the route "{name}" has no position "{position}", {hint}'
        return (
            f'the route "{name}" has no positions on the bench "{self.bench.bench}", so a person '
            f'sets it up; write {NO_POSITION} for "{position}", or take a recipe made for hands'
        )

    def _check_antenna(self, part: CapturePart, path: KeyPath) -> None:
        if part.antenna is None:
            if part.role in NEEDS_ANTENNA:
                text = f'a capture of role {part.role} needs the key "antenna"'
                self.reader.note(path, text, on_key=True)
        elif part.antenna not in self.bench.antennas:
            hint = nearest(part.antenna, self.bench.antennas)
            text = f'the bench "{self.bench.bench}" has no antenna "{part.antenna}", {hint}'
            self.reader.note((*path, "antenna"), text)

    def _check_refined(self, part: CapturePart, route: Route, path: KeyPath) -> None:
        """What chooses its frequencies by a reflection must be one, of an antenna."""
        if route.kind == "reflection" and part.role == "test":
            return
        what = (
            f'the route "{part.route}" is a transmission'
            if route.kind != "reflection"
            else f"a capture of role {part.role} is compared with others point by point"
        )
        self.reader.note(
            (*path, "sweep"),
            f'the sweep "{part.sweep}" refines to resonance and band edges, which only the '
            f"reflection of an antenna has, and {what}: give it a sweep without `refine`",
        )

    def _name(self, part: CapturePart, flat: FlatStep, path: KeyPath) -> str:
        values = [as_text(value) for value in flat.bindings.values()]
        name = part.name or " ".join(dict.fromkeys([part.role, *values]))
        if name == NEWEST:
            text = f'the name "{NEWEST}" is taken for stored baselines; choose another'
            self.reader.note((*path, "name"), text)
        elif name in self.by_name:
            line = self.by_name[name].line
            text = (
                f'the capture name "{name}" is taken by the step in line {line}; give another name'
            )
            self.reader.note((*path, "name"), text)
        return name

    def _build(
        self, part: CapturePart, name: str, place: Place, sweep: Sweep, common: dict[str, Any]
    ) -> CaptureStep:
        plan = plan_on(self.bench, place.route, sweep)
        band = (plan.start_hz, plan.stop_hz)
        rows, port, cautions = self._safety(part.route, place.position, plan.level_dbm, band)
        self._note_excesses(rows, plan.level_dbm, name, common["line"])
        if plan.rf == "on":
            self._note_unstated(part.route, name, common["line"])
        if part.lid == "open" and plan.rf == "on":
            self._note_open_lid(port, plan.level_dbm, name, common["line"])
            cautions = (*cautions, LID_OPEN)
        self.highest_port_dbm = max(self.highest_port_dbm, port)
        return CaptureStep(
            **common,
            label=f"capture {name} on {place.label}",
            name=name,
            role=Role(part.role),
            route=part.route,
            position=place.position,
            antenna=part.antenna,
            sweep=plan,
            switching=place.switching,
            source=place.route.source,
            analyzer=place.route.analyzer,
            fixtures=self._fixtures(part.route),
            levels=rows,
            lid=part.lid,
            expected_s=place.switching_s + sweep_time_s(self.bench, place.route, plan),
            cautions=cautions,
        )

    def _safety(
        self, route: str, position: str | None, level_dbm: float, band: tuple[float, float]
    ) -> tuple[tuple[LevelRow, ...], float, tuple[str, ...]]:
        """Level budget, level at the port and cautions; the same for many captures of a job."""
        key = (route, position, level_dbm, band)
        if key not in self._safeties:
            rows = level_budget(self.bench, route, position, level_dbm, band)
            port = port_level_dbm(self.bench, route, level_dbm, band)
            cautions = capture_cautions(self.bench, route, port, rows, band)
            self._safeties[key] = (tuple(rows), port, cautions)
        return self._safeties[key]

    def _fixtures(self, route: str) -> dict[str, str]:
        if route not in self._hashes:
            self._hashes[route] = self.bench.route_fixtures(route)
        return self._hashes[route]

    def _note_excesses(
        self, rows: Sequence[LevelRow], level_dbm: float, name: str, line: int
    ) -> None:
        highest = highest_safe_level_dbm(rows, level_dbm)
        for row in excesses(rows):
            self.unsafe.append(
                Excess(
                    f"{self.reader.document.file}:{line}: capture {name}: up to "
                    f"{row.level_dbm:.1f} dBm could reach {row.element}, which takes "
                    f"{row.limit_dbm:.1f} dBm at most.",
                    highest,
                )
            )

    def _note_unstated(self, route: str, name: str, line: int) -> None:
        for element, key in unstated_inputs(self.bench, route):
            self.unsafe.append(
                Excess(
                    f"{self.reader.document.file}:{line}: capture {name}: RF would be on towards "
                    f"{element}, and the bench file does not state its {key}: write {key} with "
                    f"the level from its data sheet, or {key}: unknown at your own risk.",
                    None,
                )
            )

    def _note_open_lid(self, port_dbm: float, level_dbm: float, name: str, line: int) -> None:
        if port_dbm > LARGEST_OPEN_LID_DBM:
            self.unsafe.append(
                Excess(
                    f"{self.reader.document.file}:{line}: capture {name}: up to {port_dbm:.1f} dBm "
                    f"could be radiated with the lid open, {LARGEST_OPEN_LID_DBM:.0f} dBm at most "
                    "are allowed then.",
                    level_dbm - (port_dbm - LARGEST_OPEN_LID_DBM),
                )
            )
