"""Checking, before a job measures, that the stored captures that it will need exist.

A reduction may use the newest stored baseline, or the newest stored reflection of an antenna. If
none fits, the job would measure for hours and then fail. So a capture that is still to be taken is
compared with the store now, in the same way as it will be when it has been taken.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime

import numpy as np

from benchd.acquire.plan import grid_hz
from benchd.bench import Bench
from benchd.errors import NormalisationRefused, OrderRefused, ReductionRefused
from benchd.known.antenna_match import antenna_match
from benchd.known.captures import LOOKED_AT, Baselines, BenchKnowledge, JobCaptures
from benchd.store import CaptureRow, Store
from benchd.sweeps import SweepAsRun, SweepPlan
from benchd.traces import Capture, FloatArray, Form, Role, Trace
from benchd.worksheet import (
    NEWEST,
    BaselineInput,
    CaptureStep,
    ReduceStep,
    ReductionSettings,
    Worksheet,
)

_SAME_GRID = ("method", "start_hz", "stop_hz", "points")
_SAME_WAY = ("method", "level_dbm", "resolution_bandwidth_hz", "detector")

Ahead = tuple[Worksheet, int]
"""A job that has not ended: its worksheet, and its current step."""

Jobs = Callable[[], Sequence[Ahead]]
"""Returns the job that is checked, followed by the jobs ahead of it."""


@dataclass(frozen=True)
class StoredInputs:
    """The stored captures that a job may use.

    identities: of the instruments that have answered; the others are assumed to be those of the
        newest captures.
    now: the time from which the age of stored captures is counted.
    """

    store: Store
    bench: Bench
    identities: Mapping[str, str]
    now: datetime

    def require(self, worksheet: Worksheet, step_index: int, ahead: Iterable[Ahead] = ()) -> None:
        """Raise OrderRefused if no stored capture will fit a capture that is still to be taken.

        ahead: jobs that run before, whose captures will exist by then. They are read only if the
        store has no fitting capture.
        """
        jobs = _once([(worksheet, step_index)], ahead)
        found: list[str] = []
        for step in worksheet.steps[step_index:]:
            if isinstance(step, ReduceStep):
                found += self._missing(worksheet, step_index, step, jobs)
        if found:
            raise OrderRefused(
                "stored captures are missing that this job needs: "
                + "; ".join(dict.fromkeys(found)),
                advice="Nothing was measured. Queue what takes them first, such as "
                "open-short-baseline with the same settings; it may wait ahead of this job.",
            )

    def baselines(
        self,
        worksheet: Worksheet,
        step: CaptureStep,
        wanted: Iterable[BaselineInput],
        max_age_s: float | None,
    ) -> Baselines:
        """The stored baselines that a planned capture would be normalised against, on any grid that
        reaches over its own. Raises NormalisationRefused where none fits."""
        captures = JobCaptures(self.store, "", step.label)
        planned = self.planned(worksheet, step)
        return captures.baselines(wanted, planned, max_age_s=max_age_s, interpolate=True)

    def _missing(
        self, worksheet: Worksheet, step_index: int, step: ReduceStep, jobs: Jobs
    ) -> list[str]:
        settings = step.settings
        names = {name for names in settings.inputs().values() for name in names}
        tests = [
            one
            for one in worksheet.steps[step_index:]
            if isinstance(one, CaptureStep) and one.name in names
        ]
        if not tests:
            return []
        captures = JobCaptures(self.store, "", step.label)
        found = []
        for wanted in settings.baselines():
            if wanted.name == NEWEST:
                found += self._baseline(worksheet, step, tests[0], wanted, captures, jobs)
        if getattr(settings, "match", None) == NEWEST:
            for antenna in _antennas(settings, tests):
                found += self._reflection(worksheet, step, tests[0], antenna, captures, jobs)
        return found

    def _baseline(
        self,
        worksheet: Worksheet,
        step: ReduceStep,
        test: CaptureStep,
        wanted: BaselineInput,
        captures: JobCaptures,
        jobs: Jobs,
    ) -> list[str]:
        settings = step.settings
        interpolate = bool(getattr(settings, "interpolate", False))
        try:
            captures.baselines(
                [wanted],
                self.planned(worksheet, test),
                max_age_s=settings.oldest_s,
                interpolate=interpolate,
            )
        except (NormalisationRefused, ReductionRefused) as refusal:
            for one in _to_come(jobs(), test):
                if (one.role, one.route) == (wanted.role, test.route) and _alike(
                    one, test, other_grid=interpolate
                ):
                    return []
            return [refusal.message]
        return []

    def _reflection(
        self,
        worksheet: Worksheet,
        step: ReduceStep,
        test: CaptureStep,
        antenna: str,
        captures: JobCaptures,
        jobs: Jobs,
    ) -> list[str]:
        try:
            antenna_match(
                BenchKnowledge(self.bench, self.store),
                captures,
                self.planned(worksheet, test),
                antenna,
                match=NEWEST,
                max_age_s=getattr(step.settings, "max_age_s", None),
            )
        except (NormalisationRefused, ReductionRefused) as refusal:
            for one in _to_come(jobs(), test):
                route = self.bench.routes.get(one.route)
                is_reflection = route is not None and route.kind == "reflection"
                is_of_it = is_reflection and (one.role, one.antenna) == ("test", antenna)
                is_whole = one.sweep.refine_to is None
                if is_of_it and is_whole and _spans(one.sweep, test.sweep):
                    return []
            return [refusal.message]
        return []

    def planned(self, worksheet: Worksheet, step: CaptureStep) -> Capture:
        """The capture as it will be, without levels, since only how it is taken is compared."""
        rows = self.store.captures(bench=worksheet.bench, limit=LOOKED_AT)
        grid = self._grid(rows, step)
        names = [step.source, step.analyzer, *(one.instrument for one in step.switching)]
        return Capture(
            id="",
            bench=worksheet.bench,
            job_id="",
            step=step.name,
            role=Role(step.role),
            route=step.route,
            position=step.position,
            antenna=step.antenna,
            traces=(Trace("level", Form.LEVEL_DBM, grid, np.zeros(grid.shape)),),
            settings=SweepAsRun.of(step.sweep, lid=step.lid),
            fixtures=dict(step.fixtures),
            instruments={name: self._identity(name, rows) for name in dict.fromkeys(names)},
            taken_at=self.now,
            recipe_hash=worksheet.recipe_hash,
            worksheet_hash=worksheet.digest,
        )

    def _grid(self, rows: Iterable[CaptureRow], step: CaptureStep) -> FloatArray:
        """The grid of an earlier capture by the same plan, since instruments may round frequencies;
        else the grid of the plan."""
        for row in rows:
            if row.route == step.route and _on_one_grid(row.settings, step.sweep):
                return row.load().level.frequency_hz
        return grid_hz(step.sweep)

    def _identity(self, name: str, rows: Iterable[CaptureRow]) -> str:
        if name in self.identities:
            return self.identities[name]
        return next((row.instruments[name] for row in rows if name in row.instruments), "")


def _once(own: list[Ahead], ahead: Iterable[Ahead]) -> Jobs:
    """All jobs, read once and only when needed, since a thousand jobs may be waiting."""
    read: list[Ahead] = []

    def jobs() -> Sequence[Ahead]:
        if not read:
            read.extend((*own, *ahead))
        return read

    return jobs


def _to_come(jobs: Sequence[Ahead], test: CaptureStep) -> Iterator[CaptureStep]:
    """The captures that will exist when `test` is reduced.

    Of its own job, which is the first, only earlier ones count.
    """
    for number, (worksheet, step_index) in enumerate(jobs):
        for one in worksheet.steps[step_index:]:
            if isinstance(one, CaptureStep) and (number > 0 or one.index < test.index):
                yield one


def _alike(one: CaptureStep, other: CaptureStep, *, other_grid: bool) -> bool:
    """Whether two planned captures are taken the same way. Their grids must be equal; with
    `other_grid` it is enough that one lies within the span of the other."""
    plans = (one.sweep, other.sweep)
    grid = _on_one_grid(*plans) or (other_grid and _spans(*plans))
    return grid and one.fixtures == other.fixtures and _agree(*plans, _SAME_WAY)


def _on_one_grid(one: SweepPlan, other: SweepPlan) -> bool:
    """Whether the first reads every frequency that the second will.

    A sweep that refines to an aim reads a part of its grid, which only a whole sweep covers.
    """
    needed = None if other.refine_to is not None else other.refine
    return _agree(one, other, _SAME_GRID) and one.refine == needed


def _agree(one: SweepPlan, other: SweepPlan, names: Iterable[str]) -> bool:
    return all(getattr(one, name) == getattr(other, name) for name in names)


def _spans(one: SweepPlan, other: SweepPlan) -> bool:
    return one.start_hz <= other.start_hz and one.stop_hz >= other.stop_hz


def _antennas(settings: ReductionSettings, tests: Iterable[CaptureStep]) -> list[str]:
    """The antennas whose reflections a reduction needs."""
    named = [
        *(getattr(settings, "antennas", None) or []),
        getattr(settings, "range_antenna", None),
        *(one.antenna for one in tests),
    ]
    return list(dict.fromkeys(str(name) for name in named if name))
