"""The queue of one bench: takes the next job that may run, one at a time."""

from __future__ import annotations

import asyncio
from datetime import UTC, datetime, timedelta

import structlog

from benchd.engine.events import EventHub
from benchd.engine.library import StoreThread
from benchd.engine.rig import BenchThread, Rig
from benchd.engine.runner import Runner
from benchd.errors import BenchdError
from benchd.store import JobRow, JobState, Store

_log = structlog.get_logger(__name__)

POLL_S = 1.0  # windows open by the clock; new jobs wake the queue at once
RF_OFF_RETRY_S = (0.5, 1.0, 2.0, 5.0)


class JobQueue:
    """Waits for work and runs it. RF must be known to be off before the first job runs."""

    def __init__(
        self,
        *,
        bench_name: str,
        store: Store,
        store_thread: StoreThread,
        rig: Rig,
        bench_thread: BenchThread,
        runner: Runner,
        hub: EventHub,
    ) -> None:
        self._bench_name = bench_name
        self._store = store
        self._db = store_thread
        self._rig = rig
        self._thread = bench_thread
        self._runner = runner
        self._hub = hub
        self._wake = asyncio.Event()

    def wake(self) -> None:
        """Look for work now."""
        self._wake.set()

    async def make_safe(self, *, quietly: bool = False) -> None:
        """RF off, verified, before anything else; tried for as long as it takes.

        quietly: say nothing where it succeeds at once.
        """
        attempt = 0
        while True:
            try:
                await self._thread.run(self._rig.rf_off)
            except BenchdError as error:
                wait_s = RF_OFF_RETRY_S[min(attempt, len(RF_OFF_RETRY_S) - 1)]
                attempt += 1
                _log.error("rf off not verified yet", error=str(error), next_try_s=wait_s)
                self._hub.publish("rf", {"off": None, "message": str(error)})
                await asyncio.sleep(wait_s)
            else:
                if quietly and attempt == 0:
                    return
                self._hub.publish("rf", {"off": True, "message": "RF off, verified by query"})
                return

    async def recover(self) -> None:
        """Jobs that were under way when the daemon ended go on as their recipe says."""
        for job in await self._db.call(self._store.mark_interrupted, self._bench_name):
            worksheet = await self._db.call(self._store.worksheet, job.id)
            if worksheet.on_interrupt == "fail":
                error = {
                    "family": "interrupted",
                    "where": job.id,
                    "message": f"interrupted at step {job.step_index + 1}",
                    "advice": "Its captures are kept. Queue it again, or reduce what there is.",
                }
                await self._db.call(
                    self._store.set_state,
                    job.id,
                    JobState.FAILED,
                    message=error["message"],
                    error=error,
                )
            else:
                step = 0 if worksheet.on_interrupt == "restart" else job.step_index
                await self._db.call(
                    self._store.set_state,
                    job.id,
                    JobState.WAITING,
                    message=f"interrupted; goes on at step {step + 1}",
                    step_index=step,
                )
            _log.warning("interrupted job found", job=job.id, on_interrupt=worksheet.on_interrupt)

    async def run(self) -> None:
        """Make safe, recover, then work for ever. Ends only by cancellation."""
        await self.make_safe()
        await self._thread.run(self._rig.try_connect)
        await self.recover()
        while True:
            self._wake.clear()
            await self._mark_missed()
            job = await self._db.call(self._store.next_waiting, self._bench_name, datetime.now(UTC))
            if job is not None:
                await self._runner.run(job)
                await self.make_safe(quietly=True)
                continue
            try:
                async with asyncio.timeout(POLL_S):
                    await self._wake.wait()
            except TimeoutError:
                continue

    async def _mark_missed(self) -> None:
        """Jobs whose window has closed, or is too short for what they need, are `missed`."""
        now = datetime.now(UTC)
        for job in await self._db.call(
            self._store.jobs, (JobState.WAITING,), bench=self._bench_name
        ):
            if job.finish_by is None:
                continue
            needed = timedelta(seconds=await self._expected_s(job))
            if now + needed > job.finish_by:
                message = (
                    f"needs about {needed.total_seconds():.0f} s but its window closes at "
                    f"{job.finish_by.isoformat(timespec='seconds')}"
                )
                row = await self._db.call(
                    self._store.set_state, job.id, JobState.MISSED, message=message
                )
                self._hub.publish("job", {"job": row.id, "state": "missed", "message": message})

    async def _expected_s(self, job: JobRow) -> float:
        worksheet = await self._db.call(self._store.worksheet, job.id)
        return sum(step.expected_s for step in worksheet.steps[job.step_index :])
