"""Running one job: the steps of its worksheet, from its current step to the end."""

from __future__ import annotations

import asyncio
from collections.abc import AsyncIterator, Callable
from contextlib import asynccontextmanager
from datetime import UTC, datetime
from functools import partial
from typing import Any, TypeVar

import structlog

from benchd.acquire import Sweep
from benchd.acquire.capture_check import broken_path
from benchd.acquire.lid_check import LidOpened
from benchd.acquire.refining import Refining
from benchd.bench import Bench
from benchd.engine.benchthread import BenchThread
from benchd.engine.capture_commit import capture_of, commit_capture, next_capture
from benchd.engine.current_bench import CurrentBench, current
from benchd.engine.events import EventHub
from benchd.engine.hands_requests import (
    Answer,
    Asking,
    Progress,
    PutBack,
    ask_again_words,
    can_skip,
    look_before,
    to_ask_again,
)
from benchd.engine.job_stops import Halt, told_as, watched, window_closed
from benchd.engine.lid_starts import started_by_lid
from benchd.engine.measuring import measuring
from benchd.engine.reducing import Reducer
from benchd.engine.reduction_line import ReductionLine, runs_beside
from benchd.engine.refining import refining_of
from benchd.engine.rig import Rig
from benchd.engine.still_runnable import require_same_bench
from benchd.engine.stored_inputs import StoredInputs
from benchd.engine.storethread import StoreThread
from benchd.engine.switching_ahead import switching_ahead
from benchd.engine.underway import Underway
from benchd.errors import BenchdError, Cancelled, Garbled, LinkLost, PathBroken
from benchd.store import JobRow, JobState, Store, WrongState
from benchd.store.jobs import STOPPED_WORDS, WITHDRAWN_WORDS
from benchd.traces import REMOVED
from benchd.worksheet import (
    AcceptStep,
    CaptureStep,
    HandsStep,
    ReduceStep,
    RouteStep,
    WaitStep,
    Worksheet,
)
from drivers.retry import Retry

T = TypeVar("T")

_log = structlog.get_logger(__name__)

LINK_RETRIES = 2
LINK_FIRST_S, LINK_MOST_S = 0.5, 2.0


class Runner:
    """One job at a time on one bench.

    `withdraw` and `ready` are called while `run` is under way, from the same event loop.
    """

    def __init__(
        self,
        *,
        bench: Bench | CurrentBench,
        store: Store,
        store_thread: StoreThread,
        rig: Rig,
        bench_thread: BenchThread,
        hub: EventHub,
        trace_points: int = 0,
    ) -> None:
        self._current = current(bench)
        self._bench = self._current.now
        self._store = store
        self._db = store_thread
        self._rig = rig
        self._thread = bench_thread
        self._hub = hub
        self._trace_points = trace_points
        self._halt = Halt(rig.stop)
        self._line = ReductionLine(store, store_thread, hub, self._halt.reduction_failed)
        self._asking = Asking(hub, self._halt, self._state, self._others_wait, self._while_asking)
        self._last_sweeps: dict[str, Sweep] = {}
        self._remarks: list[str] = []
        self._stored_step: int | None = None
        self.job_id: str | None = None
        self.underway = Underway(hub)

    # -- from outside ------------------------------------------------------------------------

    def ready(self, job_id: str) -> None:
        """The person has done what this job asked for, which is stored already."""
        if self.job_id == job_id:
            self._halt.woken.set()

    def withdraw(self) -> None:
        """Stop the running job; it ends `withdrawn` with RF off."""
        self._halt.withdraw()

    def stop_session(self) -> None:
        """End the running trim session; it ends `done` with RF off. The order is stored already."""
        self._halt.stop_session()

    def close(self) -> None:
        """The daemon ends: so does the process that reduces."""
        self._line.close()

    # -- one job -----------------------------------------------------------------------------

    async def run(self, job: JobRow) -> JobRow:
        """Run the job to its end and return it as stored.

        Cancelling this task (the daemon stops) ends the sweep within 0.1 s, switches RF off and
        leaves the job `running` in the store: the next start treats it as interrupted.
        """
        self.job_id = job.id
        self._stored_step = None
        self._halt.begin()
        try:
            with watched(job.finish_by, self._halt.close_window):
                row = await self._run_to_end(job)
        except asyncio.CancelledError:
            self._rig.stop.set()
            await self._safe()
            await self._line.abandon()
            raise
        finally:
            self.job_id = None
            self.underway.end_job()
        return row

    async def _run_to_end(self, job: JobRow) -> JobRow:
        try:
            await self._state(job.id, "running", message=f"step {job.step_index + 1}")
        except WrongState:
            # The job was withdrawn between being chosen and being started.
            return await self._db.call(self._store.job, job.id)
        progress = Progress(job.step_index, others_ran=job.put_back_at is not None)
        self._remarks = progress.remarks
        try:
            worksheet = await self._db.patiently(self._store.worksheet, job.id)
            progress.worksheet = worksheet
            self.underway.begin_job(worksheet)
            # The job is reduced with the bench file of when it was queued; it runs on today's.
            self._bench = await self._db.patiently(self._current.of, worksheet, self._store)
            require_same_bench(worksheet, job.step_index, self._current.now)
            await self._db.patiently(self._require_inputs, worksheet, job.step_index)
            await self._make_up(job, worksheet, progress)
            await self._ask_again(job, worksheet, progress)
            index = job.step_index
            while index < len(worksheet.steps):
                self._halt.check()
                progress.step_index = index
                step = worksheet.steps[index]
                index = await self._one_step(job.id, worksheet, step, progress)
            await self._settled(job.id)
            if self._halt.reason == "withdrawn":
                raise Cancelled("withdrawn")
        except Cancelled:
            if self._halt.reason == "reduction" and self._line.failure is not None:
                return await self._failed(job, self._line.failure)
            return await self._stopped(job, progress)
        except PutBack:
            return await self._db.patiently(self._store.job, job.id)
        except Exception as error:
            return await self._failed(job, error)
        return await self._state(job.id, "done", message=progress.last_words)

    async def _failed(self, job: JobRow, error: Exception) -> JobRow:
        """End a job in which something went wrong. RF goes off first."""
        await self._safe()
        await self._line.end()
        if isinstance(error, BenchdError):
            _log.warning("job failed", job=job.id, error=str(error))
        else:
            _log.error("a fault in benchd ended a job", job=job.id, exc_info=error)
        advice = "RF is off and all captures are kept. Please report it with the log."
        message, detail = told_as(error, job.id, advice)
        return await self._state(job.id, "failed", message=message, error=detail)

    async def _make_up(self, job: JobRow, worksheet: Worksheet, progress: Progress) -> None:
        """After an interruption: hand over the reductions of captures that are in the store."""
        reducer = Reducer(self._bench, self._store)
        self._line.begin(job.id, worksheet, reducer, job.step_index)
        reduced = await self._db.patiently(self._store.reduced_index, job.id)
        for step in worksheet.steps[reduced : job.step_index]:
            if isinstance(step, ReduceStep | AcceptStep) and not await self._left_out(
                job.id, worksheet, step, progress
            ):
                self._line.hand_over(step, beside=runs_beside(worksheet, job.step_index - 1))

    async def _settled(self, job_id: str) -> None:
        """Wait for the reductions that run beside, and say in the job's state what it waits for."""
        due = self._line.first_due
        if due is not None:
            self.underway.begin_step(due.index)
            await self._state(job_id, "running", message=due.label)
        await self._line.settled(self._halt.check)

    def _require_inputs(self, worksheet: Worksheet, step_index: int) -> None:
        """Raise OrderRefused if stored captures that the job needs are missing by now."""
        self._inputs().require(worksheet, step_index)

    def _inputs(self) -> StoredInputs:
        identities = self._rig.identities(self._current.now.instruments)
        return StoredInputs(self._store, self._bench, identities, datetime.now(UTC))

    def _refining(self, job_id: str, worksheet: Worksheet, step: CaptureStep) -> Refining | None:
        return refining_of(self._inputs(), job_id, worksheet, step)

    async def _stopped(self, job: JobRow, progress: Progress) -> JobRow:
        """End a job that an order, or the end of its window, has stopped. RF goes off first."""
        is_off = await self._safe()
        await self._line.end()
        if self._halt.reason == "stopped":
            return await self._state(job.id, "done", message=STOPPED_WORDS)
        if self._halt.reason != "window":
            return await self._state(job.id, "withdrawn", message=WITHDRAWN_WORDS)
        error = window_closed(job, progress.worksheet, progress.step_index, self._current.now.zone)
        rf = "RF is off" if is_off else "RF is NOT verified off"
        message = f"{error.message}; {rf}"
        _log.warning("window closed", job=job.id, message=message)
        detail = {**error.as_dict(), "message": message}
        return await self._state(job.id, "missed", message=message, error=detail)

    async def _safe(self) -> bool:
        """Switch RF off at the end of a job, however it ended; returns whether that is verified.

        If a source cannot be reached, the queue goes on trying.
        """
        try:
            await self._thread.run(self._rig.rf_off)
        except Exception as error:
            # Any error is caught here, since the job's end must still be stored.
            _log.error("rf off not verified", error=str(error))
            return False
        return True

    async def _state(self, job_id: str, state: str, **more: Any) -> JobRow:
        return self._told(
            await self._db.patiently(self._store.set_state, job_id, JobState(state), **more)
        )

    def _told(self, row: JobRow) -> JobRow:
        """Tell of a job's new state, and stop where it says that the job must."""
        self._hub.publish("job", {"job": row.id, "state": row.state, "message": row.message})
        if row.withdraw_ordered_at is not None and not row.has_ended:
            self._halt.withdraw()
        elif row.stop_ordered and not row.has_ended:
            self._halt.stop_session()
        return row

    @asynccontextmanager
    async def _while_asking(self, job_id: str, step: HandsStep) -> AsyncIterator[None]:
        """While a request stands whose look the lid starts, watch for the lid to be closed."""
        if step.look != "lid":
            yield
            return

        async def is_open(given_up: Callable[[], bool]) -> bool:
            return await self._thread.run(partial(self._rig.lid_is_open, given_up))

        async def start() -> None:
            try:
                row = await self._db.patiently(self._store.answer_hands, job_id, step.index)
            except WrongState:
                return  # answered, stopped or withdrawn meanwhile
            self._hub.publish("job", {"job": row.id, "state": row.state, "message": row.message})
            self._halt.woken.set()

        async with started_by_lid(is_open, start):
            yield

    async def _others_wait(self) -> bool:
        """Whether another job could run now."""
        bench = self._current.now.bench
        return await self._db.patiently(self._store.next_waiting, bench) is not None

    async def _ask_again(self, job: JobRow, worksheet: Worksheet, progress: Progress) -> None:
        """Repeat the last hands request of an interrupted job before RF may come on."""
        step = to_ask_again(worksheet, job.step_index)
        if step is not None:
            await self._on_bench(self._rig.rf_off)
            await self._settled(job.id)
            await self._request(job.id, step, ask_again_words(step, job.step_index), progress)

    async def _one_step(
        self, job_id: str, worksheet: Worksheet, step: Any, progress: Progress
    ) -> int:
        """Carry out a step, or leave it out if an unanswered request makes it impossible.

        Returns the number of the step to go on with: of a look that the lid or a broken path has
        ended, its request, since a person stands there and can mend it.
        """
        if await self._left_out(job_id, worksheet, step, progress):
            return int(step.index) + 1
        beside = isinstance(step, ReduceStep | AcceptStep) and runs_beside(worksheet, step.index)
        if not beside:
            self.underway.begin_step(step.index)
            if self._stored_step != step.index:
                await self._state(job_id, "running", message=step.label, step_index=step.index)
            self._stored_step = None
        self._hub.publish(
            "step",
            {
                "job": job_id,
                "step": step.index,
                "steps": len(worksheet.steps),
                "label": step.label,
            },
        )
        if isinstance(step, ReduceStep | AcceptStep):
            self._line.hand_over(step, beside=beside)
            if not beside:
                await self._line.settled(self._halt.check)
            return step.index + 1
        if isinstance(step, HandsStep):
            await self._on_bench(self._rig.rf_off)
            await self._settled(job_id)
            await self._request(job_id, step, step.ask, progress)
            return step.index + 1
        look = look_before(worksheet, step)
        try:
            await self._step(job_id, worksheet, step)
        except (LidOpened, PathBroken) as error:
            if look is None:
                raise
            self._halt.check()
            progress.look_failed(error)
            return look.index
        return int(step.index) + 1

    async def _request(self, job_id: str, step: HandsStep, ask: str, progress: Progress) -> None:
        answer = await self._asking.ask(job_id, step, progress.words(ask))
        if answer is Answer.PUT_BACK:
            raise PutBack
        if answer is Answer.SKIP:
            progress.skip_from(step)

    async def _left_out(
        self, job_id: str, worksheet: Worksheet, step: Any, progress: Progress
    ) -> bool:
        if progress.skips(step):
            return True
        if not (isinstance(step, ReduceStep) and can_skip(worksheet)):
            return False
        rows = await self._db.patiently(self._store.captures, job_id=job_id)
        return progress.lacks(worksheet, step, {row.step for row in rows})

    async def _step(self, job_id: str, worksheet: Worksheet, step: Any) -> None:
        handlers: dict[type, Callable[[str, Worksheet, Any], Any]] = {
            CaptureStep: self._capture,
            RouteStep: self._route,
            WaitStep: self._wait,
        }
        await handlers[type(step)](job_id, worksheet, step)

    # -- steps -------------------------------------------------------------------------------

    async def _capture(self, job_id: str, worksheet: Worksheet, step: CaptureStep) -> None:
        removed = await self._removed(job_id, look_before(worksheet, step))
        refining = None
        if step.sweep.refine_to is not None:
            refining = await self._db.patiently(self._refining, job_id, worksheet, step)
        news = self.underway.begin_sweep(job_id, step)
        work = measuring(self._rig, self._current.now, step, news, refining)
        sweep, opened = await self._on_bench(work)
        before = self._last_sweeps.get(step.analyzer)
        self._last_sweeps[step.analyzer] = sweep
        following = next_capture(worksheet, step) if opened is None else None
        async with switching_ahead(self._thread, self._rig, following):
            broken = opened or await self._db.call(broken_path, self._bench, step, sweep, before)
            await self._store_capture(
                job_id,
                worksheet,
                step,
                sweep,
                broken,
                following if broken is None else None,
                removed,
            )
        if broken is not None:
            raise broken

    async def _store_capture(
        self,
        job_id: str,
        worksheet: Worksheet,
        step: CaptureStep,
        sweep: Sweep,
        broken: PathBroken | None,
        upcoming: CaptureStep | None,
        removed: dict[str, float],
    ) -> None:
        """Store what a sweep has given, and in the same transaction that the upcoming one begins.

        broken: why its path seems to be broken, if so.
        """
        for remark in sweep.remarks:
            _log.warning("remark on a sweep", job=job_id, step=step.label, remark=remark)
            self._hub.publish("remark", {"job": job_id, "message": f"{step.label}: {remark}"})
            self._remarks.append(f"{step.label}: {remark}")
        names = [step.source, step.analyzer, *(s.instrument for s in step.switching)]
        capture = capture_of(
            job_id,
            worksheet,
            step,
            sweep,
            broken=broken,
            instruments=self._rig.identities(dict.fromkeys(names)),
            readings=removed,
        )
        # A capture over a broken path is stored, since no measurement is thrown away. The step does
        # not count as done.
        after = step.index + 1 if broken is None else None
        row = await self._db.patiently(
            commit_capture,
            self._store,
            capture,
            step_index_after=after,
            upcoming=upcoming,
            trace_points=self._trace_points,
        )
        self._hub.publish(
            "capture",
            {"job": job_id, "capture": capture.id, "role": capture.role, "route": capture.route},
        )
        if row is not None:
            self._stored_step = row.step_index
            self._told(row)

    async def _removed(self, job_id: str, look: HandsStep | None) -> dict[str, float]:
        """What a person said was taken off before this look, as a reading of its capture."""
        if look is None:
            return {}
        said = (await self._db.patiently(self._store.job, job_id)).answer or {}
        removed_m = said.get("removed_m") if said.get("step") == look.index else None
        return {} if removed_m is None else {REMOVED: float(removed_m)}

    async def _on_bench(self, work: Callable[[], T]) -> T:
        """Run `work` on the bench thread. After a lost link or a garbled reply repeat all of it, at
        most twice; before that the link is opened again and RF is switched off."""
        retry = Retry(
            first_s=LINK_FIRST_S, most_s=LINK_MOST_S, factor=4.0, tries=LINK_RETRIES, jitter=False
        )
        while True:
            try:
                return await self._thread.run(work)
            except (LinkLost, Garbled) as error:
                if retry.spent:
                    raise
                wait_s = retry.next_s()
                _log.warning("trying again", error=str(error), attempt=retry.failures)
                self._hub.publish("link", {"message": str(error), "attempt": retry.failures})
                await self._halt.pause(wait_s)

    async def _route(self, job_id: str, worksheet: Worksheet, step: RouteStep) -> None:
        def work() -> None:
            self._rig.set_path(step.switching)

        await self._on_bench(work)

    async def _wait(self, job_id: str, worksheet: Worksheet, step: WaitStep) -> None:
        await self._halt.pause(step.duration_s)
