"""Questions that the store answers alone: jobs, worksheets, captures, results, verdicts."""

from __future__ import annotations

from collections.abc import Collection

from benchd.engine.storethread import StoreThread
from benchd.results import ResultRecord, Verdict
from benchd.store import CaptureRow, JobRow, JobState, Store
from benchd.traces import Capture, Role
from benchd.worksheet import Worksheet


class StoreQuestions:
    """Asks the store, on its own thread. All methods are called on the event loop."""

    def __init__(self, store: Store, store_thread: StoreThread) -> None:
        self._store = store
        self._db = store_thread

    async def jobs(
        self, *, states: Collection[JobState] | None = None, limit: int | None = None
    ) -> list[JobRow]:
        """Jobs, newest first."""
        return await self._db.call(self._store.jobs, states, limit=limit)

    async def job(self, job_id: str) -> JobRow:
        """One job. Raises OrderRefused if there is none of that id."""
        return await self._db.call(self._store.job, job_id)

    async def worksheet(self, job_id: str) -> Worksheet:
        """What the job was resolved to when it was queued."""
        return await self._db.call(self._store.worksheet, job_id)

    async def captures(
        self,
        *,
        job_id: str | None = None,
        route: str | None = None,
        role: Role | None = None,
        antenna: str | None = None,
        limit: int | None = None,
    ) -> list[CaptureRow]:
        """Captures without their traces, newest first."""
        return await self._db.call(
            self._store.captures,
            job_id=job_id,
            route=route,
            role=role,
            antenna=antenna,
            limit=limit,
        )

    async def capture(self, capture_id: str) -> Capture:
        """One capture with its traces."""
        return await self._db.call(self._store.capture, capture_id)

    async def results(
        self,
        *,
        job_id: str | None = None,
        quantity: str | None = None,
        antenna: str | None = None,
        limit: int | None = None,
    ) -> list[ResultRecord]:
        """Results, newest reduction first."""
        return await self._db.call(
            self._store.results, job_id=job_id, quantity=quantity, antenna=antenna, limit=limit
        )

    async def result(self, result_id: str) -> ResultRecord:
        """One result with its budget. Raises UnknownId if there is none of that id."""
        return await self._db.call(self._store.result, result_id)

    async def verdicts(self, job_id: str) -> list[Verdict]:
        """The verdicts of the job's acceptance limits."""
        return await self._db.call(self._store.verdicts, job_id)
