"""Runs one job: its worksheet's steps from where it stands to the end."""

from __future__ import annotations

import asyncio
import time
from collections.abc import Callable
from dataclasses import replace
from datetime import UTC, datetime
from typing import Any, TypeVar

import structlog

from benchd.acquire import Sweep, SweepInstruments, run_sweep
from benchd.bench import Bench
from benchd.engine.events import EventHub
from benchd.engine.fitness import require_same_bench
from benchd.engine.library import StoreThread
from benchd.engine.reducing import Reducer, hold_against
from benchd.engine.rig import BenchThread, Rig
from benchd.errors import BenchdError, Cancelled, LinkLost
from benchd.recipe.worksheet import (
    AcceptStep,
    CaptureStep,
    HandsStep,
    ReduceStep,
    RouteStep,
    WaitStep,
    Worksheet,
)
from benchd.store import JobRow, JobState, Store, WrongState
from benchd.store.ids import new_id
from benchd.traces import Capture, Role

T = TypeVar("T")
_log = structlog.get_logger(__name__)

PROGRESS_S = 0.1
"""Progress is told no oftener: it would push what matters out of the events that are kept."""

LINK_RETRIES = 2
LINK_BACKOFF_S = (0.5, 2.0)


class Runner:
    """One job at a time on one bench.

    `withdraw` and `ready` are called while `run` is under way, from the same event loop.
    """

    def __init__(
        self,
        *,
        bench: Bench,
        store: Store,
        store_thread: StoreThread,
        rig: Rig,
        bench_thread: BenchThread,
        hub: EventHub,
        trace_points: int = 0,
    ) -> None:
        self._bench = bench
        self._store = store
        self._db = store_thread
        self._rig = rig
        self._thread = bench_thread
        self._hub = hub
        self._trace_points = trace_points
        self._reducer = Reducer(bench, store)
        self._ready = asyncio.Event()
        self._withdrawn = False
        self.job_id: str | None = None

    # -- from outside ------------------------------------------------------------------------

    def ready(self) -> None:
        """The person has done what the running job asked for."""
        self._ready.set()

    def withdraw(self) -> None:
        """Stop the running job; it ends `withdrawn` with RF off."""
        self._withdrawn = True
        self._rig.stop.set()
        self._ready.set()

    # -- one job -----------------------------------------------------------------------------

    async def run(self, job: JobRow) -> JobRow:
        """Run the job to its end and return it as stored.

        Cancelling this task (the daemon stops) ends the sweep within 0.1 s, switches RF off and
        leaves the job `running` in the store: the next start treats it as interrupted.
        """
        self.job_id, self._withdrawn = job.id, False
        self._rig.stop.clear()
        self._ready.clear()
        try:
            row = await self._run_to_end(job)
        except asyncio.CancelledError:
            self._rig.stop.set()
            await self._safe()
            raise
        finally:
            self.job_id = None
        return row

    async def _run_to_end(self, job: JobRow) -> JobRow:
        try:
            await self._state(job.id, "running", message=f"step {job.step_index + 1}")
        except WrongState:
            # Withdrawn between being picked and being started.
            return await self._db.call(self._store.job, job.id)
        try:
            worksheet = await self._db.patiently(self._store.worksheet, job.id)
            require_same_bench(worksheet, job.step_index, self._bench)
            for step in worksheet.steps[job.step_index :]:
                if self._withdrawn:
                    raise Cancelled("withdrawn")
                await self._state(job.id, "running", message=step.label, step_index=step.index)
                self._hub.publish(
                    "step",
                    {
                        "job": job.id,
                        "step": step.index,
                        "steps": len(worksheet.steps),
                        "label": step.label,
                    },
                )
                await self._step(job.id, worksheet, step)
            if self._withdrawn:
                raise Cancelled("withdrawn")
        except Cancelled:
            await self._safe()
            return await self._state(job.id, "withdrawn", message="withdrawn by order")
        except BenchdError as error:
            await self._safe()
            _log.warning("job failed", job=job.id, error=str(error))
            return await self._state(
                job.id, "failed", message=str(error), error=dict(error.as_dict())
            )
        except Exception as error:
            await self._safe()
            _log.exception("a fault in benchd ended a job", job=job.id)
            message = f"a fault in benchd: {type(error).__name__}: {error}"
            fault = {
                "family": "fault",
                "where": job.id,
                "message": message,
                "advice": "RF is off and all captures are kept. Please report it with the log.",
            }
            return await self._state(job.id, "failed", message=message, error=fault)
        return await self._state(job.id, "done", message="done")

    async def _safe(self) -> None:
        """RF off on every way out; what cannot be reached is retried by the keeper."""
        try:
            await self._thread.run(self._rig.rf_off)
        except Exception as error:
            # Whatever it was: the job's end must still be written down.
            _log.error("rf off not verified", error=str(error))

    async def _state(self, job_id: str, state: str, **more: Any) -> JobRow:
        row = await self._db.patiently(self._store.set_state, job_id, JobState(state), **more)
        self._hub.publish("job", {"job": row.id, "state": row.state, "message": row.message})
        return row

    async def _step(self, job_id: str, worksheet: Worksheet, step: Any) -> None:
        handlers: dict[type, Callable[[str, Worksheet, Any], Any]] = {
            CaptureStep: self._capture,
            RouteStep: self._route,
            HandsStep: self._hands,
            WaitStep: self._wait,
            ReduceStep: self._reduce,
            AcceptStep: self._accept,
        }
        await handlers[type(step)](job_id, worksheet, step)

    # -- steps -------------------------------------------------------------------------------

    async def _capture(self, job_id: str, worksheet: Worksheet, step: CaptureStep) -> None:
        loop = asyncio.get_running_loop()
        started = time.monotonic()

        told = 0.0

        def on_progress(progress: Any) -> None:
            nonlocal told
            now = time.monotonic()
            if now - told < PROGRESS_S and progress.done < progress.total:
                return
            told = now
            data = {
                "job": job_id,
                "step": step.index,
                "label": step.label,
                "done": progress.done,
                "total": progress.total,
                "elapsed_s": time.monotonic() - started,
            }
            loop.call_soon_threadsafe(self._hub.publish, "progress", data)

        sweep = await self._measured(step, on_progress)
        names = [step.source, step.analyzer, *(s.instrument for s in step.switching)]
        capture = Capture(
            id=new_id("cap"),
            bench=worksheet.bench,
            job_id=job_id,
            step=step.name,
            role=Role(step.role),
            route=step.route,
            position=step.position,
            antenna=step.antenna,
            traces=sweep.traces(),
            settings={**step.sweep.model_dump(mode="json"), "lid": step.lid},
            fixtures=dict(step.fixtures),
            instruments=self._rig.identities(dict.fromkeys(names)),
            taken_at=datetime.now(UTC),
            recipe_hash=worksheet.recipe_hash,
            worksheet_hash=worksheet.digest,
            flags=sweep.flags,
            bindings=dict(step.bindings),
            readings=dict(sweep.readings),
        )
        await self._db.patiently(
            self._store.commit_capture, capture, step_index_after=step.index + 1
        )
        self._hub.publish(
            "capture",
            {"job": job_id, "capture": capture.id, "role": capture.role, "route": capture.route},
        )

    async def _measured(self, step: CaptureStep, on_progress: Callable[[Any], None]) -> Sweep:
        """Switch and sweep."""
        instruments = SweepInstruments(
            analyzer=self._rig.drivers[step.analyzer],
            source=self._rig.drivers[step.source] if step.source != step.analyzer else None,
        )
        names = list(dict.fromkeys((step.source, step.analyzer)))

        def work() -> Sweep:
            self._rig.rf_off()
            self._rig.switch(step.switching)
            procedure = run_sweep(step.sweep, instruments)
            # With RF off nothing leaves the box, however its lid stands.
            lid = step.lid if step.sweep.rf == "on" else None
            temperature = self._rig.temperature_c()
            sweep = self._rig.measure(procedure, names, on_progress, lid=lid)
            return replace(sweep, readings={**sweep.readings, **temperature})

        return await self._on_bench(work)

    async def _on_bench(self, work: Callable[[], T]) -> T:
        """Run `work` on the bench thread; after a lost link, reopened, the whole of it, twice."""
        for attempt in range(LINK_RETRIES):
            try:
                return await self._thread.run(work)
            except LinkLost as error:
                _log.warning("link lost, trying again", error=str(error), attempt=attempt + 1)
                self._hub.publish("link", {"message": str(error), "attempt": attempt + 1})
                await self._pause(LINK_BACKOFF_S[attempt])
        return await self._thread.run(work)

    async def _route(self, job_id: str, worksheet: Worksheet, step: RouteStep) -> None:
        def work() -> None:
            self._rig.rf_off()
            self._rig.switch(step.switching)

        await self._on_bench(work)

    async def _hands(self, job_id: str, worksheet: Worksheet, step: HandsStep) -> None:
        await self._on_bench(self._rig.rf_off)
        hands = {"ask": step.ask, "caution": step.caution, "step": step.index}
        # Cleared before anybody can know of the request: an answer may come at once.
        self._ready.clear()
        await self._state(job_id, "needs-hands", message=step.ask, hands=hands)
        self._hub.publish("hands", {"job": job_id, **hands})
        if not self._withdrawn:
            await self._ready.wait()
        if self._withdrawn:
            raise Cancelled("withdrawn")
        await self._state(job_id, "running", message="ready")

    async def _wait(self, job_id: str, worksheet: Worksheet, step: WaitStep) -> None:
        await self._pause(step.duration_s)

    async def _pause(self, seconds: float) -> None:
        """Sleep, but leave early when the job is withdrawn."""
        deadline = time.monotonic() + seconds
        while not self._withdrawn and (left := deadline - time.monotonic()) > 0:
            await asyncio.sleep(min(0.05, left))
        if self._withdrawn:
            raise Cancelled("withdrawn")

    async def _reduce(self, job_id: str, worksheet: Worksheet, step: ReduceStep) -> None:
        records = await self._db.patiently(self._reducer.records, job_id, worksheet, step)
        await self._db.patiently(
            self._store.commit_results,
            job_id,
            step.label,
            records,
            [],
            step_index_after=step.index + 1,
        )
        for record in records:
            self._hub.publish("result", {"job": job_id, "result": record.id})

    async def _accept(self, job_id: str, worksheet: Worksheet, step: AcceptStep) -> None:
        results = await self._db.patiently(self._store.results, job_id=job_id)
        verdicts = hold_against(step.limits, results)
        await self._db.patiently(
            self._store.commit_results,
            job_id,
            step.label,
            [],
            verdicts,
            step_index_after=step.index + 1,
        )
        for verdict in verdicts:
            self._hub.publish(
                "verdict",
                {"job": job_id, "quantity": verdict.quantity, "outcome": verdict.outcome},
            )
