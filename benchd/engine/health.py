"""The state of the daemon: the answer to `health`, and whether a person must be woken.

There are four reasons to wake somebody: RF is not verified off, the bench thread hangs, nothing can
be stored, or jobs that may run do not proceed. An unreachable broker is none, since its messages
wait in the outbox. Nor is an instrument that no job needs now, or a job that asks for hands.
"""

from __future__ import annotations

import asyncio
import shutil
import time
from collections.abc import Callable
from dataclasses import asdict, dataclass
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

from benchd.engine.hang_detector import HangDetector
from benchd.engine.rfwatch import NOT_VERIFIED, RfWatch
from benchd.engine.workthread import WorkThread
from benchd.errors import Busy
from benchd.moments import utc_text
from benchd.rounding import about_words
from benchd.store import JobRow, JobState, Store, StoreError

LEAST_ROOM_BYTES = 64 << 20
STORE_ANSWERS_WITHIN_S = 3.0
TRY_WRITING_EVERY_S = 10.0
STUCK_AFTER_S = 300.0
ASKING_FOR_S = 60.0


@dataclass(frozen=True, slots=True)
class StoreFacts:
    """Facts about the store and its disk. trouble: why it cannot write; empty if it can."""

    trouble: str
    pending: int | None
    jobs: list[JobRow]
    free_bytes: int | None


class HealthReport:
    """Gathers the facts without waiting for the bench, the broker or a reduction.

    data: the folder of the database. broker: the state of the connection to the broker, None
    without one.
    """

    def __init__(
        self,
        *,
        bench: str,
        store: Store,
        data: Path,
        rf: RfWatch,
        monitor: HangDetector,
        broker: Callable[[], dict[str, Any] | None],
    ) -> None:
        self._bench = bench
        self._store = store
        self._data = data
        self._rf = rf
        self._monitor = monitor
        self._broker = broker
        self._room = WorkThread("asking store and disk", limit_s=STORE_ANSWERS_WITHIN_S)
        self._asked: asyncio.Task[StoreFacts] | None = None
        self._tried_at: float | None = None
        self._write_trouble = ""

    async def document(self, base: dict[str, Any], instruments: list[Any]) -> dict[str, Any]:
        """The whole answer to `health`. base: the desk's part. instruments: see `Rig.states`."""
        facts = await self._facts()
        now = datetime.now(UTC)
        store = base["store"] or facts.trouble
        queue = self._queue(facts.jobs, now)
        wake = [
            *self._rf_trouble(now),
            *self._thread_trouble(),
            *self._store_trouble(store, facts),
            *_queue_trouble(queue, base["running"]),
        ]
        broker = self._broker()
        return {
            **base,
            "store": store,
            "status": "wake" if wake else "well",
            "wake": wake,
            "notes": [*_notes(base, broker, facts.jobs), *self._store.damage()],
            "rf": _times_as_text(asdict(self._rf.now)),
            "bench_thread": {
                "state": "hangs" if self._monitor.hangs else "well",
                "silent_s": self._monitor.silent_ticks,
            },
            "broker": broker,
            "outbox": {"pending": facts.pending},
            "damaged": self._store.damage(),
            "disk": {"free_bytes": facts.free_bytes},
            "queue": queue,
            "instruments": [
                {"name": one.name, "state": one.state, "message": one.message,
                 "answered_at": one.answered_at and utc_text(one.answered_at)}
                for one in instruments
            ],
        }  # fmt: skip

    # -- gathering ---------------------------------------------------------------------------

    async def _facts(self) -> StoreFacts:
        """The facts about store and disk, read by a thread of its own.

        If the disk hangs, that is reported and not waited for. Callers at the same time share one
        reading.
        """
        if self._asked is None or self._asked.done():
            self._asked = asyncio.create_task(self._gather(), name="health")
        return await asyncio.shield(self._asked)

    async def _gather(self) -> StoreFacts:
        try:
            return await self._room.call(self._ask)
        except Busy:
            trouble = f"the store did not answer within {STORE_ANSWERS_WITHIN_S:.0f} s"
            return StoreFacts(trouble, None, [], None)

    def _ask(self) -> StoreFacts:
        try:
            free = shutil.disk_usage(self._data).free
        except OSError as error:
            return StoreFacts(f"the data folder cannot be read: {error.strerror}", None, [], None)
        try:
            pending = self._store.outbox_count(self._bench)
            states = (JobState.WAITING, JobState.RUNNING, JobState.NEEDS_HANDS)
            jobs = self._store.jobs(states, bench=self._bench)
        except StoreError as error:
            return StoreFacts(str(error), None, [], free)
        return StoreFacts(self._try_writing(), pending, jobs, free)

    def _try_writing(self) -> str:
        """Why the store cannot write; empty if it can. Tried only now and then, since it writes."""
        now = time.monotonic()
        if (
            self._tried_at is None
            or self._write_trouble
            or now > self._tried_at + (TRY_WRITING_EVERY_S)
        ):
            self._tried_at = now
            try:
                self._store.try_writing()
                self._write_trouble = ""
            except StoreError as error:
                self._write_trouble = str(error)
        return self._write_trouble

    def _queue(self, jobs: list[JobRow], now: datetime) -> dict[str, Any]:
        waiting = [job for job in jobs if job.state is JobState.WAITING]
        since = [
            max(job.created_at, job.not_before or job.created_at)
            for job in waiting
            if job.not_before is None or job.not_before <= now
        ]
        oldest_s = (now - min(since)).total_seconds() if since else None
        return {"waiting": len(waiting), "may_run": len(since), "oldest_s": oldest_s}

    # -- judging -----------------------------------------------------------------------------

    def _rf_trouble(self, now: datetime) -> list[str]:
        rf = self._rf.now
        if rf.state != NOT_VERIFIED:
            return []
        if rf.asking and (now - rf.since).total_seconds() < ASKING_FOR_S:
            return []
        return [f"{rf.message} {rf.advice}"]

    def _thread_trouble(self) -> list[str]:
        if not self._monitor.hangs:
            return []
        return ["the bench thread hangs: benchd can no longer speak to the instruments"]

    def _store_trouble(self, store: str, facts: StoreFacts) -> list[str]:
        found = [f"nothing can be stored: {store}"] if store else []
        if facts.free_bytes is not None and facts.free_bytes < LEAST_ROOM_BYTES:
            found.append(f"the disk is nearly full: {facts.free_bytes >> 20} MiB are left")
        return found


def _queue_trouble(queue: dict[str, Any], running: str | None) -> list[str]:
    oldest_s = queue["oldest_s"]
    if running is not None or oldest_s is None or oldest_s < STUCK_AFTER_S:
        return []
    return [f"nothing runs, though a job may run since {about_words(oldest_s)}"]


def _notes(base: dict[str, Any], broker: dict[str, Any] | None, jobs: list[JobRow]) -> list[str]:
    """Notes on matters that are not urgent, for a person to read in the morning."""
    notes = [f"{name} does not answer" for name in base["lost"]]
    if base.get("bench_trouble"):
        notes.append(f"the bench stays as it was: {base['bench_trouble']}")
    if broker is not None and not broker["connected"]:
        notes.append(f"not publishing: {broker['message']}")
    notes += [f"job {job.id} asks for hands" for job in jobs if job.state is JobState.NEEDS_HANDS]
    return notes


def _times_as_text(document: dict[str, Any]) -> dict[str, Any]:
    return {
        key: utc_text(value) if isinstance(value, datetime) else value
        for key, value in document.items()
    }
