"""Looking back: what was measured of antennas and of the bench, side by side.

All of it is read from what is stored, or reduced again from it. Nothing is stored, and no
instrument is asked.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace
from datetime import UTC, datetime
from typing import Any

import numpy as np

from benchd.bench import Antenna
from benchd.curves import Curve
from benchd.engine.benchstory import (
    BaselineState,
    Qualified,
    baselines,
    kinds,
    qualified,
)
from benchd.engine.current_bench import CurrentBench
from benchd.engine.story import RunMemory, Story, overview, story_of
from benchd.engine.workthread import WorkThread
from benchd.errors import OrderRefused, ReductionRefused, UnknownId
from benchd.files.yamlfile import nearest
from benchd.known.captures import BenchKnowledge, JobCaptures
from benchd.known.in_force import InForce, in_force
from benchd.quantities import Shown, compared, every, given_by
from benchd.reductions.difference_curve import difference_curve
from benchd.reductions.revision_comparison import (
    RevisionComparison,
    reduce_revision_comparison,
)
from benchd.results import Result, ResultRecord
from benchd.store import CaptureRow, Store
from benchd.store.messages import thinned
from benchd.traces import Form, Role, Trace

NEWEST_LOOKED_AT = 2000


class Lookback:
    """Questions about stored captures and results. The work runs on a work thread of the desk."""

    def __init__(self, bench: CurrentBench, store: Store, working: WorkThread) -> None:
        self._current = bench
        self._store = store
        self._working = working
        self._told = RunMemory()

    async def story(self, antenna: str) -> Story:
        """The story of an antenna. Raises UnknownId where neither the register nor any result
        knows the name."""
        now = self._current.now
        found = await self._working.call(
            story_of, antenna, now.antennas, self._store, bench=now.bench, memory=self._told
        )
        if not found.revisions:
            raise UnknownId(
                f'there is no antenna "{antenna}", {nearest(antenna, now.antennas)}',
                advice="`benchd antenna list` shows those of the register.",
            )
        return found

    async def stories(self) -> list[dict[str, Any]]:
        """All antennas, revisions of one together; see `story.overview`."""
        now = self._current.now
        return await self._working.call(overview, now.antennas, self._store, bench=now.bench)

    async def comparison(
        self,
        first: str,
        second: str,
        *,
        first_job: str | None = None,
        second_job: str | None = None,
        quantity: str | None = None,
    ) -> tuple[list[Result], list[tuple[str, str]]]:
        """Second less first, of one quantity or of all that can be compared.

        Returns the differences, and (quantity, reason) for each that could not be told. Raises
        OrderRefused for a quantity that is not compared, and ReductionRefused where nothing could
        be told of the one that was asked for.
        """
        names = [row.name for row in compared()]
        if quantity is not None and quantity not in names:
            raise OrderRefused(
                f'"{quantity}" of two revisions is not compared, {nearest(quantity, names)}'
            )
        if first == second and first_job is None:
            raise OrderRefused(
                f'both are "{first}"', advice="Name the job of the first (first_job)."
            )
        return await self._working.call(
            self._compare, first, second, first_job, second_job, quantity
        )

    def _compare(
        self,
        first: str,
        second: str,
        first_job: str | None,
        second_job: str | None,
        wanted: str | None,
    ) -> tuple[list[Result], list[tuple[str, str]]]:
        known = BenchKnowledge(self._current.now, self._store)
        captures = JobCaptures(self._store, "", f"comparison of {first} and {second}")
        found: list[Result] = []
        refused: list[tuple[str, str]] = []
        for name in [wanted] if wanted is not None else [row.name for row in compared()]:
            settings = RevisionComparison(
                kind="revision-comparison",
                name=None,
                quantity=name,
                first=first,
                second=second,
                first_job=first_job,
                second_job=second_job,
            )
            try:
                found += reduce_revision_comparison(settings, captures, known).results
            except ReductionRefused as refusal:
                if wanted is not None:
                    raise
                refused.append((name, refusal.message))
        return found, refused

    async def difference_curve(
        self, first: str, second: str, *, first_job: str | None, second_job: str | None
    ) -> Curve:
        """Return loss of the second antenna less that of the first, over frequency.

        Without jobs, the newest of each. Raises ReductionRefused.
        """
        return await self._working.call(
            self._difference_curve, first, second, first_job, second_job
        )

    def _difference_curve(
        self, first: str, second: str, first_job: str | None, second_job: str | None
    ) -> Curve:
        one = self._newest_return_loss(first, first_job)
        other = self._newest_return_loss(second, second_job)
        known = BenchKnowledge(self._current.now, self._store)
        return difference_curve(known, one.result, other.result)

    def _newest_return_loss(self, antenna: str, job: str | None) -> ResultRecord:
        found = self._store.results(
            quantity="return_loss",
            antenna=antenna,
            job_id=job,
            bench=self._current.now.bench,
            limit=1,
        )
        if not found:
            of = f" in {job}" if job else ""
            raise ReductionRefused(
                f'there is no stored return loss of "{antenna}"{of}', advice="Measure it first."
            )
        return found[0]

    async def qualification(self, job_id: str) -> list[InForce]:
        """What had been measured of the bench itself and was in force for a job's captures."""
        return await self._working.call(self._in_force, job_id)

    def _in_force(self, job_id: str) -> list[InForce]:
        self._store.job(job_id)  # an unknown job is an error, not an empty list
        routes: dict[str, CaptureRow] = {}
        for row in self._store.captures(job_id=job_id):
            if row.role in (Role.TEST, Role.REFERENCE):
                routes.setdefault(row.route, row)
        return in_force(self._store, (row.load() for row in routes.values()))

    async def thinned(
        self,
        capture_id: str,
        *,
        points: int,
        from_hz: float | None = None,
        to_hz: float | None = None,
    ) -> tuple[Trace, int]:
        """The level of a capture for a plot so many points wide, and how many points there are.

        Each stretch keeps its lowest and its highest value, so that no dip is lost. Bins that a
        hold sweep missed are left out. from_hz, to_hz: the part to show, with one point more on
        each side.
        """
        return await self._working.call(self._thinned, capture_id, points, from_hz, to_hz)

    def _thinned(
        self, capture_id: str, points: int, from_hz: float | None, to_hz: float | None
    ) -> tuple[Trace, int]:
        whole = self._store.capture(capture_id).level
        level = _known(whole)
        grid = level.along.values
        start = 0 if from_hz is None else int(np.searchsorted(grid, from_hz)) - 1
        stop = grid.size if to_hz is None else int(np.searchsorted(grid, to_hz, "right")) + 1
        part = slice(max(0, start), max(stop, 0))
        seen = Trace(level.name, level.form, _cut(level, part), level.values[part])
        pick = thinned(_sizes(seen), points)
        return Trace(seen.name, seen.form, _cut(seen, pick), seen.values[pick]), whole.values.size

    async def bench_state(
        self,
    ) -> tuple[list[BaselineState], list[Qualified], list[ResultRecord]]:
        """Baselines now, every qualification, and the newest results of each antenna."""
        return await self._working.call(self._bench_state)

    def _bench_state(self) -> tuple[list[BaselineState], list[Qualified], list[ResultRecord]]:
        now = self._current.now
        newest = self._newest_results(now.bench, now.antennas)
        return (
            baselines(now, self._store, datetime.now(UTC)),
            qualified(now, self._store),
            newest,
        )

    def _newest_results(self, bench: str, antennas: Mapping[str, Antenna]) -> list[ResultRecord]:
        """Of each registered antenna, the results of the newest job for each quantity that the
        short table of results shows; what qualifies the bench is left out."""
        told = {row.name for row in every() if row.shown is not Shown.LATER}
        told -= {row.name for kind in kinds() for row in given_by(kind)}
        jobs: dict[tuple[str, str], str] = {}
        found = []
        for record in self._store.results(bench=bench, limit=NEWEST_LOOKED_AT):
            antenna, name = record.result.antenna, record.result.quantity
            if antenna is None or antenna not in antennas or name not in told:
                continue
            if record.result.budget is None:
                continue
            key = (antenna, name)
            if jobs.setdefault(key, record.job_id) == record.job_id:
                found.append(record)
        return found


def _known(trace: Trace) -> Trace:
    """The points that hold a value: a hold sweep may have missed bins, and no number is none."""
    known = ~np.isnan(trace.values)
    if trace.visited is not None:
        known &= trace.visited
    return (
        trace
        if known.all()
        else Trace(trace.name, trace.form, _cut(trace, known), trace.values[known])
    )


def _sizes(trace: Trace) -> Trace:
    """The trace itself; of a complex ratio its magnitude, in which a plot shows it."""
    if trace.form is not Form.RATIO_COMPLEX:
        return trace
    return Trace(trace.name, Form.RATIO_DB, trace.along, np.abs(trace.values))


def _cut(trace: Trace, part: Any) -> Any:
    """The axis of a part of a trace."""
    return replace(trace.along, values=trace.along.values[part])
