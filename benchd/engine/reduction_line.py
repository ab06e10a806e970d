"""The reductions of the running job, in order; most of them beside its next capture.

The bench does not wait for a result that decides nothing. So a reduction, or a comparison with
limits, is handed over here as soon as its captures are in the store, and the job goes on with its
next capture. One runs at a time, in the order of the worksheet, and each is committed in one
transaction before the next begins. The store notes how far they are (`Store.reduced_index`), so
that a job that was interrupted makes up for those that are missing.

What waits for all of them: a hands request, since a person acts by what is shown, and the end of
the job. One that fails ends the job.
"""

from __future__ import annotations

import asyncio
from collections import deque
from collections.abc import Callable, Sequence
from concurrent.futures import ThreadPoolExecutor

import structlog

from benchd.engine.events import EventHub
from benchd.engine.reducing import Reducer
from benchd.engine.reducing_process import Order, ReducingProcess
from benchd.engine.storethread import StoreThread
from benchd.reductions.limits import hold_against
from benchd.results import Verdict
from benchd.store import ReadyResult, Store
from benchd.worksheet import AcceptStep, CaptureStep, HandsStep, ReduceStep, Worksheet

_log = structlog.get_logger(__name__)

LOOK_S = 0.05
ANSWER_WITHIN_S = 120.0
"""How long the other process may take for one step, s. The slowest that is usual, 100,001 points on
a small single-board computer, takes a few seconds."""
END_WITHIN_S = 5.0
"""How long a job that was stopped waits for the reductions of its captures, s."""


def runs_beside(worksheet: Worksheet, step_index: int) -> bool:
    """Whether a capture follows this step before anybody is asked for anything.

    Only then does the bench gain by not waiting for it.
    """
    for step in worksheet.steps[step_index + 1 :]:
        if isinstance(step, CaptureStep):
            return True
        if isinstance(step, HandsStep):
            return False
    return False


class ReductionLine:
    """Reductions and comparisons of one job at a time. Used on the event loop.

    on_failure: called when one has failed; `failure` is its error. None is begun after that.
    """

    def __init__(
        self,
        store: Store,
        store_thread: StoreThread,
        hub: EventHub,
        on_failure: Callable[[], None],
    ) -> None:
        self._store = store
        self._db = store_thread
        self._hub = hub
        self._on_failure = on_failure
        self._process = ReducingProcess(store.place)
        self._pool = ThreadPoolExecutor(max_workers=1, thread_name_prefix="reducing")
        self._due: deque[tuple[ReduceStep | AcceptStep, bool]] = deque()
        self._working: asyncio.Task[None] | None = None
        self.failure: Exception | None = None

    def begin(self, job_id: str, worksheet: Worksheet, reducer: Reducer, step_index: int) -> None:
        """A job begins, or goes on at this step."""
        self._job_id, self._worksheet, self._reducer = job_id, worksheet, reducer
        self.failure = None
        self._due.clear()
        if any(
            isinstance(step, ReduceStep) and runs_beside(worksheet, step.index)
            for step in worksheet.steps[step_index:]
        ):
            # Started now, so that it is ready when the first capture is there.
            self._pool.submit(self._process.start)

    def hand_over(self, step: ReduceStep | AcceptStep, *, beside: bool) -> None:
        """Carry out a step after those that were handed over before it.

        beside: in a process of its own, since something is measured meanwhile.
        """
        if self.failure is not None:
            return
        self._due.append((step, beside))
        if self._working is None or self._working.done():
            self._working = asyncio.create_task(self._work(), name="reductions")

    @property
    def first_due(self) -> ReduceStep | AcceptStep | None:
        """The step that is carried out now; None where all are done."""
        return self._due[0][0] if self._due else None

    async def settled(self, check: Callable[[], None]) -> None:
        """Wait until all that was handed over is committed.

        check: raises if the job must stop; called every 50 ms.
        """
        check()
        while self._working is not None and not self._working.done():
            await asyncio.wait({self._working}, timeout=LOOK_S)
            check()

    async def end(self, within_s: float = END_WITHIN_S) -> None:
        """The job has been stopped, or has failed: reduce what it has measured, but do not wait
        long for it. What is left can be reduced later from the stored captures."""
        if self._working is None or self._working.done():
            return
        await asyncio.wait({self._working}, timeout=within_s)
        await self.abandon()

    async def abandon(self) -> None:
        """End at once. A commit under way is finished; nothing is begun any more."""
        working = self._working
        if working is None or working.done():
            return
        _log.warning("reductions left for later", job=self._job_id, steps=len(self._due))
        working.cancel()
        self._process.kill()
        await asyncio.wait({working})

    def close(self) -> None:
        """The daemon ends."""
        self._process.kill()
        self._pool.shutdown(wait=True)

    async def _work(self) -> None:
        try:
            while self._due:
                step, beside = self._due[0]
                if isinstance(step, ReduceStep):
                    await self._reduce(step, beside)
                else:
                    await self._compare(step)
                self._due.popleft()
        # Any error ends the job, which tells of it.
        except Exception as error:
            _log.warning("reduction failed", job=self._job_id, error=str(error))
            self._due.clear()
            self.failure = error
            self._on_failure()

    async def _reduce(self, step: ReduceStep, beside: bool) -> None:
        found = await self._beside(step) if beside else None
        if found is None:
            found = await self._db.patiently(
                self._reducer.ready, self._job_id, self._worksheet, step
            )
        await self._commit(step, found, [])
        for result in found:
            self._hub.publish("result", {"job": self._job_id, "result": result.id})

    async def _commit(
        self,
        step: ReduceStep | AcceptStep,
        found: Sequence[ReadyResult],
        verdicts: Sequence[Verdict],
    ) -> None:
        await self._db.patiently(
            self._store.commit_ready,
            self._job_id,
            step.label,
            found,
            verdicts,
            step_index_after=step.index + 1,
        )

    async def _beside(self, step: ReduceStep) -> list[ReadyResult] | None:
        """The results of a step by the other process; None where it cannot give them, or gives
        none in time: a process that hangs is ended."""
        order = Order(self._job_id, step.index, self._reducer.bench)
        loop = asyncio.get_running_loop()
        asked = loop.run_in_executor(self._pool, self._process.ready, order)
        await asyncio.wait({asked}, timeout=ANSWER_WITHIN_S)
        if not asked.done():
            _log.warning("the reducing process hangs and is ended", within_s=ANSWER_WITHIN_S)
            self._process.kill()
        found = await asked
        if found is None:
            _log.info("reduced by the daemon itself", job=self._job_id, step=step.label)
        return found

    async def _compare(self, step: AcceptStep) -> None:
        results = await self._db.patiently(self._store.results, job_id=self._job_id)
        verdicts = hold_against(step.limits, results)
        await self._commit(step, [], verdicts)
        for verdict in verdicts:
            self._hub.publish(
                "verdict",
                {"job": self._job_id, "quantity": verdict.quantity, "outcome": verdict.outcome},
            )
