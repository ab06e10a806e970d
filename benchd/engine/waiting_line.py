"""The jobs that wait: when each would run, and putting one at another place."""

from __future__ import annotations

from dataclasses import asdict, dataclass
from datetime import UTC, datetime
from typing import Any

from benchd.engine.current_bench import CurrentBench
from benchd.engine.events import EventHub
from benchd.engine.places import in_order, moved
from benchd.engine.rehearsal import rehearse
from benchd.engine.runner import Runner
from benchd.engine.storethread import StoreThread
from benchd.errors import OrderRefused
from benchd.job_request import JobRequest
from benchd.store import JobRow, JobState, Store
from benchd.worksheet import HandsStep, Worksheet

MOST_KNOWN = 2000
"""Worksheets whose sums are remembered; more than may wait at once."""

NOT_QUEUED = "not-queued"
"""The id, in a rehearsal, of a job that is only thought of."""


@dataclass(frozen=True, slots=True)
class _Sums:
    """What the line needs of a worksheet. left_s, hands: from each step on, to the end."""

    parameters: dict[str, Any]
    left_s: tuple[float, ...]
    hands: tuple[int, ...]


class WaitingLine:
    """Asks the store for what waits. Called on the event loop."""

    def __init__(
        self, current: CurrentBench, store: Store, store_thread: StoreThread, runner: Runner,
        hub: EventHub,
    ) -> None:  # fmt: skip
        self._current = current
        self._store = store
        self._db = store_thread
        self._runner = runner
        self._hub = hub
        self._known: dict[str, _Sums] = {}

    async def document(
        self, thought_of: Worksheet | None = None, request: JobRequest | None = None
    ) -> dict[str, Any]:
        """The waiting jobs in their order, each with when it would run; see `rehearse`.

        antennas: those that the job's parameters name.

        thought_of, request: a job that is not queued, to be rehearsed with the others.
        """
        rows = await self._db.call(self._waiting)
        sums = {row.id: self._known[row.worksheet_hash] for row in rows}
        now = datetime.now(UTC)
        if thought_of is not None:
            row = _imagined(thought_of, request or JobRequest(), now)
            rows, sums[row.id] = [*rows, row], _sums(thought_of)
        left_s = self._runner.underway.document()["left_s"]
        running = self._runner.job_id
        found = rehearse(
            rows,
            {row.id: _at(sums[row.id].left_s, row) for row in rows},
            {row.id: int(_at(sums[row.id].hands, row)) for row in rows},
            now=now,
            busy_s=None if running is None else float(left_s or 0.0),
            zone=self._current.now.zone,
        )
        planned = {one.id: one for one in found.jobs}
        return {
            "words": found.words,
            "ends_at": found.ends_at,
            "missed": sum(one.outcome == "missed" for one in found.jobs),
            "running": running,
            "running_left_s": left_s,
            "jobs": [
                {
                    "job": row,
                    "parameters": sums[row.id].parameters,
                    "antennas": self._antennas(sums[row.id].parameters),
                    **asdict(planned[row.id]),
                }
                for row in in_order(rows)
            ],
        }

    def _antennas(self, parameters: dict[str, Any]) -> list[str]:
        """The antennas that a job is about, each once."""
        known = self._current.now.antennas
        named = (str(value) for value in parameters.values())
        return list(dict.fromkeys(name for name in named if name in known))

    async def move(self, job_id: str, before: str | None) -> None:
        """Put a waiting job right before another one, or last. Raises OrderRefused, UnknownId."""
        await self._change(lambda rows: moved(rows, job_id, before))

    async def move_first(self, job_id: str) -> None:
        """Put a waiting job before all others."""

        def first(rows: list[JobRow]) -> dict[str, int]:
            line = [row for row in in_order(rows) if row.put_back_at is None]
            return moved(rows, job_id, line[0].id if line else None)

        await self._change(first)

    async def set_priority(self, job_id: str, priority: int) -> None:
        """Give a waiting job another priority."""

        def one(rows: list[JobRow]) -> dict[str, int]:
            if all(row.id != job_id for row in rows):
                raise OrderRefused(f"job {job_id} does not wait, so its priority means nothing")
            return {job_id: priority}

        await self._change(one)

    async def _change(self, decide: Any) -> None:
        def change() -> list[JobRow]:
            with self._store.atomic():
                rows = self._store.jobs((JobState.WAITING,), bench=self._current.now.bench)
                return self._store.set_priorities(decide(rows))

        for row in await self._db.call_first(change):
            self._hub.publish("job", {"job": row.id, "state": row.state, "message": row.message})

    def _waiting(self) -> list[JobRow]:
        """The jobs that wait; what is needed of their worksheets is known afterwards."""
        rows = self._store.jobs((JobState.WAITING,), bench=self._current.now.bench)
        for row in rows:
            if row.worksheet_hash not in self._known:
                if len(self._known) >= MOST_KNOWN:
                    self._known.clear()
                self._known[row.worksheet_hash] = _sums(self._store.worksheet(row.id))
        return rows


def _sums(worksheet: Worksheet) -> _Sums:
    left_s, hands = [0.0], [0]
    for step in reversed(worksheet.steps):
        left_s.append(left_s[-1] + step.expected_s)
        hands.append(hands[-1] + isinstance(step, HandsStep))
    return _Sums(dict(worksheet.parameters), tuple(left_s[::-1]), tuple(hands[::-1]))


def _at(values: tuple[float, ...], row: JobRow) -> float:
    return values[min(row.step_index, len(values) - 1)]


def _imagined(worksheet: Worksheet, request: JobRequest, now: datetime) -> JobRow:
    return JobRow(
        id=NOT_QUEUED, bench=worksheet.bench, recipe=worksheet.recipe, title=worksheet.title,
        worksheet_hash=worksheet.digest, state=JobState.WAITING, priority=request.priority,
        created_at=now, not_before=request.not_before, finish_by=request.finish_by,
        started_at=None, ended_at=None, step_index=0, steps_total=len(worksheet.steps),
        expected_s=worksheet.expected_s, interruptions=0, message="", error=None, hands=None,
    )  # fmt: skip
