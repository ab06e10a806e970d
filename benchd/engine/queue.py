"""The queue of one bench: takes the next job that may run, one at a time."""

from __future__ import annotations

import asyncio
from collections.abc import Callable
from contextlib import AbstractAsyncContextManager, nullcontext, suppress
from datetime import UTC, datetime, timedelta, tzinfo
from typing import Any

import structlog

from benchd.engine.benchthread import BenchThread
from benchd.engine.events import EventHub
from benchd.engine.job_stops import told_as
from benchd.engine.livelook.looks import LiveLooks
from benchd.engine.recovery import Interrupted, Recovery, recovery
from benchd.engine.reload import Reload
from benchd.engine.rf_off_repeater import RfOffRepeater
from benchd.engine.rig import Rig
from benchd.engine.runner import Runner
from benchd.engine.still_runnable import outdated
from benchd.engine.storethread import StoreThread
from benchd.errors import BenchdError
from benchd.moments import time_words
from benchd.rounding import about_words
from benchd.store import JobRow, JobState, Store, StoreDamaged, StoreError, WrongState
from benchd.worksheet import Worksheet

_log = structlog.get_logger(__name__)

POLL_S = 1.0  # windows open by the clock; new jobs wake the queue at once
TROUBLE_S = 5.0


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
        zone: Callable[[], tzinfo] = lambda: UTC,
        reload: Reload | None = None,
        looks: LiveLooks | None = None,
    ) -> None:
        """zone: returns the time zone of the bench, in which times are shown to people.

        reload: applies changes of the bench file between jobs. looks: live looks, which are run
        while no job may run.
        """
        self._reload = reload
        self._looks = looks
        if looks is not None:
            looks.wake_queue = self.wake
        self._zone = zone
        self._bench_name = bench_name
        self._store = store
        self._db = store_thread
        self._rig = rig
        self._thread = bench_thread
        self._runner = runner
        self._hub = hub
        self._keeper = RfOffRepeater(rig, bench_thread, hub)
        self._wake = asyncio.Event()
        self._needs_s: dict[str, float] = {}

    def wake(self) -> None:
        """Look for work now."""
        self._wake.set()

    async def make_safe(self, *, quietly: bool = False) -> None:
        """Switch RF off and verify it, without a time limit. Nothing else may run before.

        quietly: log nothing if it succeeds at once.
        """
        await self._keeper.until_off(quietly=quietly)

    async def recover(self) -> None:
        """Resume, repeat or fail the jobs that were running when the daemon ended, as their recipes
        say."""
        for job in await self._db.patiently(self._store.mark_interrupted, self._bench_name):
            try:
                await self._recover_one(job)
            except WrongState:
                continue  # withdrawn meanwhile
            except Exception as error:
                if _passes(error):
                    raise
                await self._give_up(job, error)

    async def _recover_one(self, job: JobRow) -> None:
        if job.withdraw_ordered_at is not None:
            await self._decided(job, recovery(Interrupted(job.step_index, withdrawn=True)))
            return
        if job.stop_ordered:
            await self._decided(job, recovery(Interrupted(job.step_index, stopped=True)))
            return
        worksheet = await self._db.patiently(self._store.worksheet, job.id)
        _log.warning("interrupted job found", job=job.id, on_interrupt=worksheet.on_interrupt)
        found = Interrupted(job.step_index, job.interruptions, worksheet.on_interrupt)
        await self._decided(job, recovery(found, await self._outdated(job, worksheet, found)))

    async def _after_others(self, job: JobRow) -> JobRow | None:
        """Prepare a job that has let others run: it counts as interrupted by them.

        It goes on as its recipe says. None if it must not go on.
        """
        if job.put_back_at is None or job.step_index == 0:
            return job
        worksheet = await self._db.patiently(self._store.worksheet, job.id)
        found = Interrupted(job.step_index, on_interrupt=worksheet.on_interrupt, put_back=True)
        decision = recovery(found, await self._outdated(job, worksheet, found))
        if decision.state is JobState.WAITING and decision.step_index == job.step_index:
            return job
        row = await self._decided(job, decision)
        return None if decision.state is JobState.FAILED else row

    async def _decided(self, job: JobRow, decision: Recovery) -> JobRow:
        """Store the decision about an interrupted job."""
        more: dict[str, Any] = {}
        if decision.state is JobState.WAITING:
            more["step_index"] = decision.step_index
        if decision.advice:
            more["error"] = {
                "family": "interrupted",
                "where": job.id,
                "message": decision.message,
                "advice": decision.advice,
            }
        return await self._set(job, decision.state, message=decision.message, **more)

    async def _outdated(self, job: JobRow, worksheet: Worksheet, found: Interrupted) -> list[str]:
        if not found.asks_captures:
            return []
        captures = await self._db.patiently(self._store.captures, job_id=job.id)
        names = {name for row in captures for name in row.instruments}
        identities = self._rig.identities(names)
        return outdated(worksheet, job.step_index, captures, datetime.now(UTC), identities)

    async def _give_up(self, job: JobRow, error: Exception) -> None:
        """Fail a job whose data cannot be read, so that it does not block the others."""
        if not isinstance(error, BenchdError):
            _log.error("a fault in benchd ended a job", job=job.id, exc_info=error)
        advice = "Its captures are kept. Please report it with the log."
        text, detail = told_as(error, job.id, advice)
        _log.warning("job failed", job=job.id, error=text)
        with suppress(WrongState):
            await self._set(job, JobState.FAILED, message=text, error=detail)

    async def _set(self, job: JobRow, state: JobState, **more: Any) -> JobRow:
        row = await self._db.patiently(self._store.set_state, job.id, state, **more)
        self._hub.publish("job", {"job": row.id, "state": row.state, "message": row.message})
        return row

    async def run(self) -> None:
        """Make RF safe, recover interrupted jobs, then run jobs for ever. Ends by cancellation
        only.

        After trouble with the store, or a fault in benchd, RF is switched off again and the queue
        goes on a little later.
        """
        keeping = asyncio.create_task(self._keeper.keep_off(), name="keep rf off")
        try:
            await self._run()
        finally:
            keeping.cancel()
            await asyncio.wait([keeping])

    async def _run(self) -> None:
        await self._safe_or_described_otherwise()
        await self._thread.run(self._rig.try_connect)
        recovered = False
        while True:
            try:
                if not recovered:
                    await self.recover()
                    recovered = True
                await self._work_once()
            except StoreError as error:
                _log.error("the queue waits for the store", error=str(error))
                self._hub.publish("store", {"message": str(error)})
            except Exception:
                _log.exception("a fault in benchd held up the queue")
            else:
                continue
            # A job whose end could not be stored is still `running` in the store.
            recovered = False
            await self.make_safe(quietly=True)
            await asyncio.sleep(TROUBLE_S)

    async def _safe_or_described_otherwise(self, *, quietly: bool = False) -> None:
        """Switch RF off and verify it; meanwhile apply changes of the bench file.

        A source may not answer because its address there is wrong, and a person may correct that.
        """
        safe = asyncio.create_task(self.make_safe(quietly=quietly), name="make safe")
        try:
            while not (await asyncio.wait({safe}, timeout=POLL_S))[0]:
                if self._reload is not None:
                    await self._reload.look()
            await safe
        finally:
            safe.cancel()
            await asyncio.wait({safe})

    async def _work_once(self) -> None:
        self._wake.clear()
        if self._reload is not None:
            await self._reload.look()
            if self._rig.rf_not_verified():
                await self._safe_or_described_otherwise(quietly=True)
        await self._mark_missed()
        job = await self._db.call(self._store.next_waiting, self._bench_name, datetime.now(UTC))
        if job is not None:
            if self._looks is not None:
                self._looks.give_way(job.title)
            await self._run_one(job)
            await self.make_safe(quietly=True)
            return
        if self._looks is not None and self._looks.wanted:
            async with self._held():
                await self._looks.run()
            await self.make_safe(quietly=True)
            return
        with suppress(TimeoutError):
            async with asyncio.timeout(POLL_S):
                await self._wake.wait()

    async def _run_one(self, job: JobRow) -> None:
        try:
            may_run = await self._after_others(job)
        except WrongState:
            return  # withdrawn meanwhile
        except Exception as error:
            if _passes(error):
                raise
            await self._give_up(job, error)
            return
        if may_run is not None:
            async with self._held():
                await self._runner.run(may_run)

    def _held(self) -> AbstractAsyncContextManager[None]:
        """While this is open the instruments are not changed by the bench file."""
        return nullcontext() if self._reload is None else self._reload.held()

    async def _mark_missed(self) -> None:
        """Jobs whose window has closed, or is too short for what they need, are `missed`."""
        now = datetime.now(UTC)
        waiting = await self._db.call(self._store.jobs, (JobState.WAITING,), bench=self._bench_name)
        windowed = [job for job in waiting if job.finish_by is not None]
        needs_s = {}
        for job in windowed:
            try:
                needs_s[job.id] = await self._expected_s(job)
                await self._miss_if_late(job, now, needs_s[job.id])
            except WrongState:
                continue  # withdrawn meanwhile
            except Exception as error:
                if _passes(error):
                    raise
                await self._give_up(job, error)
        self._needs_s = needs_s

    async def _miss_if_late(self, job: JobRow, now: datetime, needs_s: float) -> None:
        if job.finish_by is None or now + timedelta(seconds=needs_s) <= job.finish_by:
            return
        closes = time_words(job.finish_by, self._zone())
        message = f"needs about {about_words(needs_s)} but its window closes at {closes}"
        await self._set(job, JobState.MISSED, message=message)

    async def _expected_s(self, job: JobRow) -> float:
        """Seconds that the job's remaining steps need.

        The steps of a waiting job do not change, so its worksheet is read only once.
        """
        if job.step_index == 0:
            return job.expected_s
        if job.id not in self._needs_s:
            worksheet = await self._db.call(self._store.worksheet, job.id)
            return sum(step.expected_s for step in worksheet.steps[job.step_index :])
        return self._needs_s[job.id]


def _passes(error: Exception) -> bool:
    """Whether the error concerns the whole store and may pass, so that no single job must fail."""
    return isinstance(error, StoreError) and not isinstance(error, StoreDamaged)
