"""The live looks of one bench: what the desk asks for, and what the queue runs between jobs.

RF is switched on by the queue's task alone, so a live look and a job never run at once.
"""

from __future__ import annotations

import asyncio
import time
from collections import OrderedDict, deque
from collections.abc import AsyncIterator, Awaitable, Callable, Mapping
from datetime import UTC, datetime
from functools import partial
from typing import Any

import numpy as np
import structlog

from benchd.engine.benchthread import BenchThread
from benchd.engine.current_bench import CurrentBench
from benchd.engine.events import EventHub
from benchd.engine.livelook.keeping import Kept, reduced, stored
from benchd.engine.livelook.look import Look, has_ended
from benchd.engine.livelook.plan import LivePlan, prepared
from benchd.engine.livelook.sweeping import Taken, run_look
from benchd.engine.livelook.telling import Teller, Told, ending_document
from benchd.engine.livelook.ticks import Ticks
from benchd.engine.rig import Rig
from benchd.engine.storethread import StoreThread
from benchd.engine.workthread import WorkThread
from benchd.errors import BenchdError, OrderRefused
from benchd.store import Store, StoreError

_log = structlog.get_logger(__name__)

MOST_PREPARED = 32
LOOK_FOR_JOBS_S = 0.25
LAST_HELD = 20
"""Sweeps that may still be kept: some seconds of a fast bench, so that the one that a person saw
can be kept when they press the button."""

UNITS: Mapping[str, str] = {"return-loss": "dB", "over-thru": "dB", "level": "dBm"}


class LiveLooks:
    """Prepares, starts, runs and ends live looks; one at a time. Used on the event loop.

    wake_queue: is called when a look waits to be run.

    job_running: returns the id of the running job, or None. look_again: takes up changes of the
        bench file.
    """

    def __init__(
        self,
        *,
        bench: CurrentBench,
        store: Store,
        store_thread: StoreThread,
        rig: Rig,
        bench_thread: BenchThread,
        hub: EventHub,
        job_running: Callable[[], str | None],
        look_again: Callable[[], Awaitable[None]] | None = None,
        trace_points: int = 0,
        clock: Callable[[], float] = time.monotonic,
    ) -> None:
        self.wake_queue: Callable[[], None] = lambda: None
        self._bench = bench
        self._store = store
        self._db = store_thread
        self._rig = rig
        self._thread = bench_thread
        self._hub = hub
        self._job_running = job_running
        self._look_again = look_again
        self._trace_points = trace_points
        self._clock = clock
        self._ticks = Ticks(clock)
        self._working = WorkThread("preparing a live look", limit_s=60.0)
        self._prepared: OrderedDict[str, tuple[str | None, dict[str, str]]] = OrderedDict()
        self._look: Look | None = None
        self._teller: Teller | None = None
        self._state = "none"
        self._held: deque[Taken] = deque(maxlen=LAST_HELD)
        self._kept: dict[int, asyncio.Task[Kept]] = {}

    # -- what a person asks for ----------------------------------------------------------------

    async def prepare(self, what: str | None, arguments: Mapping[str, str]) -> LivePlan:
        """The worksheet of a live look. Switches nothing. Raises as `plan.prepared` does."""
        plan = await self._plan(what, arguments)
        self._prepared[plan.digest] = (what, dict(arguments))
        self._prepared.move_to_end(plan.digest)
        while len(self._prepared) > MOST_PREPARED:
            self._prepared.popitem(last=False)
        return plan

    async def _plan(self, what: str | None, arguments: Mapping[str, str]) -> LivePlan:
        if self._look_again is not None:
            await self._look_again()
        bench = self._bench.now
        identities = self._rig.identities(bench.instruments)
        work = partial(prepared, what, arguments, bench, self._store, identities, datetime.now(UTC))
        return await self._working.call(work)

    def tick(self) -> int:
        """A tick to tell now; whoever starts or joins a look names it."""
        return self._ticks.now()

    async def start(self, digest: str, seen: int | None = None) -> str:
        """Start the look whose worksheet has this hash; returns the id of its first viewer.

        RF goes on as soon as the bench is free, which it must be now. seen: the last tick that the
        viewer was told; its silence counts from then. Raises OrderRefused; UserError for a tick
        that was never told.
        """
        said_at = self._ticks.told_at_s(seen)
        if digest not in self._prepared:
            raise OrderRefused(
                "no live look with a worksheet of this hash was prepared",
                advice="Prepare it, read its worksheet, and start it with the hash of that.",
            )
        plan = await self._plan(*self._prepared[digest])
        if plan.digest != digest:
            raise OrderRefused(
                "bench or baselines have changed since this worksheet was made, and with them "
                "what would be done",
                advice="Prepare the live look again and read its worksheet.",
            )
        waiting = await self._db.call(self._store.next_waiting, self._bench.now.bench)
        self._require_free(None if waiting is None else waiting.title)
        look = Look(plan, plan.for_s, clock=self._clock)
        viewer = look.viewers.join(said_at)
        self._look, self._state = look, "starting"
        self._held.clear()
        self._kept = {}
        self._teller = Teller(partial(self._document_of, look), self.tick)
        self._say(look)
        self.wake_queue()
        return viewer

    def _require_free(self, waiting: str | None) -> None:
        """Raise OrderRefused unless the bench is free and RF is off.

        Nothing is awaited between this and the new look, so that two starts cannot both find it
        free.
        """
        if self.busy:
            raise OrderRefused("a live look is on already", advice="Join it, or end it first.")
        running = self._job_running()
        if running is not None:
            raise OrderRefused(
                f"job {running} is running",
                advice="Wait until it has ended, or withdraw it. Jobs go before live looks.",
            )
        if waiting is not None:
            raise OrderRefused(
                f'a job may run now and goes first: "{waiting}"',
                advice="Wait until it has ended, or withdraw it.",
            )
        doubted = self._rig.rf_not_verified()
        if doubted:
            raise OrderRefused(
                f"RF is not verified off: {', '.join(doubted)}",
                advice="Nothing is switched on before that. benchd keeps trying.",
            )

    def _now(self) -> tuple[Look, Teller]:
        if self._look is None or self._teller is None:
            raise OrderRefused("there is no live look", advice="Prepare and start one.")
        return self._look, self._teller

    def join(self, seen: int | None = None) -> str:
        """One more viewer; returns its id. seen: as for `start`. Raises OrderRefused where there
        is no look."""
        look, teller = self._now()
        if look.ending is not None:
            raise has_ended(look.ending)
        viewer = look.viewers.join(self._ticks.told_at_s(seen))
        teller.changed()
        return viewer

    def here(self, viewer: str, seen: int | None = None) -> dict[str, Any]:
        """This viewer still looks, and did so when it was told this tick. Raises UnknownId for a
        viewer that is none, UserError for a tick that was never told."""
        look, _ = self._now()
        if look.ending is None:
            look.viewers.here(viewer, self._ticks.told_at_s(seen))
        return {
            "state": self._state,
            "left_s": look.left_s(),
            "viewers": look.viewers.count(),
            "ending": ending_document(look.ending),
            "tick": self.tick(),
        }

    def renew(self) -> dict[str, Any]:
        """The whole time again from now on; a person must ask for it."""
        look, teller = self._now()
        look.renew()
        teller.changed()
        return self.document()

    def leave(self, viewer: str) -> dict[str, Any]:
        """A viewer leaves. With the last one RF goes off."""
        look, teller = self._now()
        look.leave(viewer)
        teller.changed()
        return self.document()

    def end(self) -> dict[str, Any]:
        """End the look for everybody."""
        look, teller = self._now()
        look.end("by-order", "somebody ended it")
        teller.changed()
        return self.document()

    async def keep(self, number: int | None = None) -> Kept:
        """Store a sweep with its results; the newest, or that of this number.

        A sweep is stored once, however often it is asked for. Raises OrderRefused for a sweep that
        is not held any more, StoreError where nothing could be stored.
        """
        look, teller = self._now()
        if look.ending is not None and look.ending.reason == "failed":
            raise has_ended(look.ending)
        taken = next((one for one in reversed(self._held) if number in (None, one.number)), None)
        if taken is None:
            raise OrderRefused(
                "there is no sweep yet" if number is None else f"sweep {number} is not held",
                advice=f"The last {LAST_HELD} sweeps can be kept.",
            )
        task = self._kept.get(taken.number)
        if task is None or (task.done() and task.exception() is not None):
            # A task of its own: a person who goes away meanwhile must not leave it half done.
            task = asyncio.create_task(self._store_it(look, teller, taken), name="keep a sweep")
            self._kept[taken.number] = task
        return await asyncio.shield(task)

    async def _store_it(self, look: Look, teller: Teller, taken: Taken) -> Kept:
        plan = look.plan
        parts = (self._bench, self._store)
        kept = await self._db.call(stored, plan, taken, *parts, self._trace_points)
        kept = await self._db.patiently(reduced, plan, taken, kept, *parts)
        job, capture = kept.job, kept.capture
        about = {"job": job.id, "capture": capture.id}
        self._hub.publish("capture", {**about, "role": capture.role, "route": capture.route})
        for record in kept.results:
            self._hub.publish("result", {"job": job.id, "result": record.id})
        self._hub.publish("job", {"job": job.id, "state": job.state, "message": job.message})
        teller.kept({**about, "number": taken.number, "state": job.state, "message": job.message})
        return kept

    def document(self) -> dict[str, Any]:
        """The look as it is now; `state` is `none`, `starting`, `on` or `ended`."""
        return {"state": "none"} if self._look is None else self._document_of(self._look)

    def _document_of(self, look: Look) -> dict[str, Any]:
        plan, step = look.plan, look.plan.step
        sweep = step.sweep
        return {
            "state": self._state if look is self._look else "ended",
            "hash": plan.digest,
            "shown": plan.shown,
            "unit": UNITS[plan.shown],
            "antenna": step.antenna,
            "route": step.route,
            "position": step.position,
            "wanted_hz": plan.wanted_hz,
            "level_dbm": sweep.level_dbm,
            "frequency_hz": np.round(
                np.linspace(sweep.start_hz, sweep.stop_hz, sweep.points)
            ).tolist(),
            "viewers": look.viewers.count(),
            "left_s": look.left_s(),
            "for_s": look.for_s,
            "ending": ending_document(look.ending),
            "baselines": [one.id for one in plan.baselines],
            "tick": self.tick(),
        }

    def watch(self) -> AsyncIterator[Told]:
        """What is told of the look, until it has ended. Raises OrderRefused where there is none."""
        return self._now()[1].watch()

    # -- what the queue does -------------------------------------------------------------------

    @property
    def state(self) -> str:
        """`none`, `starting`, `on` or `ended`."""
        return self._state

    @property
    def wanted(self) -> bool:
        """Whether a look waits to be run."""
        return self._state == "starting"

    @property
    def busy(self) -> bool:
        """Whether a look runs, or is about to."""
        return self._state in ("starting", "on")

    def give_way(self, job: str) -> None:
        """A job's turn has come before the look began."""
        if self._look is not None and self.wanted:
            self._look.end("job", _job_words(job), "Start it again when the job has ended.")
            self._finish(self._look)

    async def run(self) -> None:
        """Run the look that is wanted, to its end. RF is off afterwards, or the queue keeps trying.

        Cancelling this task (the daemon stops) ends the sweep within 0.1 s.
        """
        look = self._look
        if look is None:
            return
        if look.plan.worksheet.bench_hash != self._bench.now.hash:
            # Levels were found safe for the bench as it was when the look was started.
            again = "Prepare the live look again and read its worksheet."
            look.end("failed", "the bench is described otherwise since it was started", again)
            self._finish(look)
            return
        jobs = asyncio.create_task(self._end_for_a_job(look), name="jobs before live looks")
        loop = asyncio.get_running_loop()
        self._rig.stop.clear()
        try:

            def took(taken: Taken) -> None:
                loop.call_soon_threadsafe(self._take, look, taken)

            await self._thread.run(partial(run_look, look, self._bench.now, self._rig, took))
        except asyncio.CancelledError:
            look.end("stopping", "benchd stops")
            raise
        except BenchdError as error:
            look.fail(error)
        except Exception as error:
            _log.exception("a fault in benchd ended a live look")
            message = f"a fault in benchd: {type(error).__name__}: {error}"
            look.fail(BenchdError(message, advice="Please report it with the log."))
        finally:
            jobs.cancel()
            self._finish(look)
        # A look that was broken off has left the flag set, which would stop what comes next.
        self._rig.stop.clear()

    async def _end_for_a_job(self, look: Look) -> None:
        """End the look as soon as a job may run."""
        while True:
            await asyncio.sleep(LOOK_FOR_JOBS_S)
            try:
                job = await self._db.call(self._store.next_waiting, self._bench.now.bench)
            except StoreError as error:
                _log.warning("a live look cannot see whether a job waits", error=str(error))
                continue
            if job is not None:
                look.end("job", _job_words(job.title), "Start it again when the job has ended.")

    def _take(self, look: Look, taken: Taken) -> None:
        if look is not self._look or self._teller is None:
            return
        if self._state == "starting":
            self._state = "on"
            self._teller.changed()
            self._say(look)
        self._held.append(taken)
        self._teller.sweep(taken)

    def _finish(self, look: Look) -> None:
        look.end("stopping", "it has ended")
        if look is self._look and self._teller is not None:
            self._state = "ended"
            self._teller.over()
            self._say(look)

    def _say(self, look: Look) -> None:
        """Tell everybody who watches the bench; sweeps are for the look's own viewers."""
        ending = look.ending
        message = f"live look at {look.plan.step.antenna}: {self._state}"
        if ending is not None:
            message = f"{message}: {ending.message}"
            _log.info("live look ended", reason=ending.reason, message=ending.message)
        self._hub.publish("live", {"state": self._state, "message": message})


def _job_words(title: str) -> str:
    return f'a job\'s turn has come, and jobs go first: "{title}"'
