"""The desk: all orders and questions that a person or a program may have for one bench.

The HTTP API and the MQTT orders both call it. All methods are called on the event loop.
"""

from __future__ import annotations

import asyncio
from collections.abc import AsyncIterator, Callable, Mapping
from contextlib import suppress
from dataclasses import asdict
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

from benchd import __version__
from benchd.bench import Bench
from benchd.bench.register_entry import add_antenna
from benchd.curves import Curve
from benchd.engine.asking_instruments import InstrumentCalls
from benchd.engine.bench_documents import antenna_document, bench_document
from benchd.engine.current_bench import CurrentBench, current
from benchd.engine.events import Event, EventHub
from benchd.engine.health import HealthReport
from benchd.engine.livelook.looks import LiveLooks
from benchd.engine.lookback import Lookback
from benchd.engine.queue import JobQueue
from benchd.engine.recipes import RecipeShelf
from benchd.engine.reducing import Reducer
from benchd.engine.reload import Reload
from benchd.engine.rfnews import rf_document
from benchd.engine.rig import Rig
from benchd.engine.runner import Runner
from benchd.engine.store_questions import StoreQuestions
from benchd.engine.stored_inputs import StoredInputs
from benchd.engine.storethread import StoreThread
from benchd.engine.trim_desk import TrimDesk
from benchd.engine.waiting_line import WaitingLine
from benchd.engine.workthread import WorkThread
from benchd.errors import OrderRefused
from benchd.job_request import JobRequest, RecipeSource
from benchd.recipe import Recipe, resolve
from benchd.recipe.serials import with_serial
from benchd.recipe.trim_session import TrimRequest
from benchd.results import ResultRecord
from benchd.store import JobRow, JobState, Store, WrongState
from benchd.store.jobs import WITHDRAWN_WORDS
from benchd.worksheet import Worksheet

MAX_WAITING = 1000
READING_LIMIT_S = 10.0
WORKING_LIMIT_S = 300.0

NOW = JobRequest()
"""A request without wishes: run as soon as the bench is free, after the jobs queued before."""

Noted = Callable[[JobRow], None]
"""A function that is called with the job after an order has changed it, in the same transaction."""


class BenchDesk(StoreQuestions):
    """Carries out orders and answers questions. It has no state of its own."""

    def __init__(
        self,
        *,
        bench: Bench | CurrentBench,
        shelf: RecipeShelf,
        store: Store,
        store_thread: StoreThread,
        rig: Rig,
        runner: Runner,
        queue: JobQueue,
        hub: EventHub,
        vitals: HealthReport | None = None,
        roll: InstrumentCalls | None = None,
        reload: Reload | None = None,
        bench_file: Path | None = None,
        looks: LiveLooks | None = None,
    ) -> None:
        """vitals: adds to the answer of `health`; without it, only the desk's own part is given.
        roll: asks the instruments whether they answer; without it they are never asked for that.
        reload: applies changes of the bench file. bench_file: new antennas go into its register.
        looks: live looks; without it there are none.
        """
        super().__init__(store, store_thread)
        self._current = current(bench)
        self._reload = reload
        self._shelf = shelf
        self._rig = rig
        self._runner = runner
        self._queue = queue
        self._hub = hub
        self._reading = WorkThread("reading the recipes", limit_s=READING_LIMIT_S)
        self._working = WorkThread("working out a recipe or results", limit_s=WORKING_LIMIT_S)
        self.past = Lookback(self._current, store, self._working)
        self._vitals = vitals
        self._roll = roll
        self.line = WaitingLine(self._current, store, store_thread, runner, hub)
        self._bench_file = bench_file
        self._looks = looks
        self.trim = TrimDesk(
            current=self._current, store=store, store_thread=store_thread, hub=hub,
            working=self._working, reducer=self._reducer,
        )  # fmt: skip

    @property
    def _live_state(self) -> str:
        return "none" if self._looks is None else self._looks.state

    @property
    def looks(self) -> LiveLooks:
        """Live looks. Raises OrderRefused where this daemon gives none."""
        if self._looks is None:
            raise OrderRefused("this daemon gives no live looks")
        return self._looks

    # -- orders ------------------------------------------------------------------------------

    async def queue(
        self,
        source: RecipeSource,
        arguments: Mapping[str, str],
        request: JobRequest = NOW,
        *,
        noted: Noted | None = None,
    ) -> JobRow:
        """Queue a recipe. If it raises RecipeError, UnsafeError or OrderRefused, nothing is
        queued."""
        worksheet = await self.check(source, arguments)
        worksheet = with_serial(worksheet, request.serial, self._current.now)
        return await self._add(worksheet, request, noted)

    async def begin_trim(self, wanted: TrimRequest, request: JobRequest = NOW) -> JobRow:
        """Queue a trim session: with stored baselines if they fit, else it takes them first.

        Raises as `queue` does.
        """
        return await self._add(await self.check_trim(wanted), request, None)

    async def check_trim(self, wanted: TrimRequest) -> Worksheet:
        """The worksheet of a trim session, without queueing it."""
        await self._look()
        worksheet = await self._working.call(self.trim.worksheet, wanted, stored=True)
        try:
            return await self._with_inputs(worksheet)
        except OrderRefused:
            worksheet = await self._working.call(self.trim.worksheet, wanted, stored=False)
            return await self._with_inputs(worksheet)

    async def check(self, source: RecipeSource, arguments: Mapping[str, str]) -> Worksheet:
        """Resolve a recipe to its worksheet, without queueing it."""
        if source.text is None:
            found = await self._reading.call(self._shelf.get, str(source.name))
            await self._look()
            worksheet = await self._working.call(resolve, found, self._current.now, arguments)
        else:
            await self._look()
            worksheet = await self._working.call(
                self._resolve_text, source.text, source.file, arguments
            )
        return await self._with_inputs(worksheet)

    async def _with_inputs(self, worksheet: Worksheet) -> Worksheet:
        """Return the worksheet. Raises OrderRefused if stored captures that it needs are
        missing."""
        bench = self._current.now
        identities = self._rig.identities(bench.instruments)

        def require() -> None:
            states = (JobState.WAITING, JobState.RUNNING, JobState.NEEDS_HANDS)
            inputs = StoredInputs(self._store, bench, identities, datetime.now(UTC))
            jobs = (
                (self._store.worksheet(job.id), job.step_index)
                for job in self._store.jobs(states, bench=bench.bench)
            )
            inputs.require(worksheet, 0, jobs)

        await self._working.call(require)
        return worksheet

    async def _look(self) -> None:
        """Apply changes of the bench file and the register, as far as is allowed now."""
        if self._reload is not None:
            await self._reload.look()

    async def withdraw(self, job_id: str, *, noted: Noted | None = None) -> JobRow:
        """Take a job off the queue, or stop it if it runs. Raises OrderRefused if it has ended.

        The order is stored before it is answered, so that the job ends withdrawn even if the daemon
        is killed the moment after. A running job is stopped before the order is stored, so that RF
        does not stay on while the disk is slow.
        """
        stopped = self._stop_if_running(job_id)
        try:
            row = await self._db.call_first(
                self._noting, noted, lambda: self._store.order_withdrawal(job_id)
            )
        except WrongState:
            row = await self._db.call_first(self._store.job, job_id)
            if not (stopped and row.state is JobState.WITHDRAWN):
                raise
            return row  # the runner has already stored the effect of this order
        finally:
            # The job may have been started while the order was being stored.
            self._stop_if_running(job_id)
        if not row.has_ended and self._runner.job_id != job_id:
            # The store says that it runs, but it does not: it was interrupted and has not yet been
            # resumed.
            with suppress(WrongState):
                row = await self._db.call_first(
                    self._store.set_state, job_id, JobState.WITHDRAWN, message=WITHDRAWN_WORDS
                )
        self._hub.publish("job", {"job": row.id, "state": row.state, "message": row.message})
        return row

    def _stop_if_running(self, job_id: str) -> bool:
        if self._runner.job_id != job_id:
            return False
        self._runner.withdraw()
        return True

    async def ready(
        self,
        job_id: str,
        step: int | None = None,
        *,
        until: str | None = None,
        removed_m: float | None = None,
        noted: Noted | None = None,
    ) -> JobRow:
        """Answer a hands request. Raises OrderRefused if the job asks for nothing now.

        removed_m: with a request before a look of a trim session, what was taken off each arm since
            the look before, m. Any other request refuses it.

        step: the step of the request that is answered. With it, an answer that arrives twice is
            refused. Without it, the second would answer the next request, while hands may still
            be at the bench; so a look of a trim session is never answered without it.
        until: `until` of the request that is answered. A look that was broken off is asked for
            again in the same step, so the step alone does not tell both requests apart.
        The answer is stored before it is confirmed. It is valid only until the daemon ends: after
        an interruption the job asks again, since hands may be in the box by then.
        """
        row = await self._db.call(self._store.job, job_id)
        if row.state != "needs-hands" or self._runner.job_id != job_id:
            raise self._asks_nothing(row)
        asked = (row.hands or {}).get("step")
        self.trim.require_named(row, step, until)
        if step is not None and step != asked:
            raise OrderRefused(
                f"job {job_id} asks for something else now, in step {asked}, not {step}",
                advice=f"It asks: {row.message} Then: benchd ready {job_id} --step {asked}",
            )
        if removed_m is not None:
            self.trim.require_length(row, removed_m)
        loop = asyncio.get_running_loop()

        def answer() -> JobRow:
            answered = self._noting(
                noted, lambda: self._store.answer_hands(job_id, asked, removed_m, until)
            )
            # Started from here and not by the caller, who may be gone: the stored answer counts.
            loop.call_soon_threadsafe(self._runner.ready, job_id)
            return answered

        try:
            row = await self._db.call(answer)
        except WrongState:
            raise self._asks_nothing(await self._db.call(self._store.job, job_id)) from None
        self._hub.publish("job", {"job": row.id, "state": row.state, "message": row.message})
        return row

    @staticmethod
    def _asks_nothing(row: JobRow) -> OrderRefused:
        advice = "`benchd jobs` shows what each job waits for."
        if row.put_back_at is not None and row.state == "waiting":
            advice = "Its request was taken back and RF may be on. It asks again by itself."
        return OrderRefused(f"job {row.id} is {row.state} and asks for nothing now", advice=advice)

    async def stop(self, job_id: str, *, noted: Noted | None = None) -> JobRow:
        """End a trim session as done; a look under way is broken off. Raises OrderRefused for any
        other job, and for one that has ended.

        The order is stored before it is answered, so that it holds if the daemon ends then.
        """
        await self.trim.require_session(job_id)
        row = await self._db.call_first(self._noting, noted, lambda: self._store.order_stop(job_id))
        if self._runner.job_id == job_id:
            self._runner.stop_session()
        self._hub.publish("job", {"job": row.id, "state": row.state, "message": row.message})
        return row

    def _noting(self, noted: Noted | None, change: Callable[[], JobRow]) -> JobRow:
        """A function that changes the store, and calls `noted`, in one transaction."""
        with self._store.atomic():
            row = change()
            if noted is not None:
                noted(row)
        return row

    def _resolve_text(self, text: str, file: str, arguments: Mapping[str, str]) -> Worksheet:
        recipe: Recipe = self._shelf.read(text, file)
        return resolve(recipe, self._current.now, arguments)

    async def _add(self, worksheet: Worksheet, request: JobRequest, noted: Noted | None) -> JobRow:
        waiting = await self._db.call(self._store.jobs, (JobState.WAITING,), limit=MAX_WAITING)
        if len(waiting) >= MAX_WAITING:
            raise OrderRefused(
                f"{MAX_WAITING} jobs are waiting already",
                advice="Withdraw some, or wait until they have run.",
            )
        request.check(worksheet.expected_s, datetime.now(UTC))

        def add() -> JobRow:
            self._current.keep(worksheet, self._store)
            return self._store.add_job(worksheet, request)

        row = await self._db.call(self._noting, noted, add)
        self._hub.publish("job", {"job": row.id, "state": row.state, "message": row.message})
        self._queue.wake()
        return row

    # -- questions ---------------------------------------------------------------------------

    async def bench(self) -> dict[str, Any]:
        """What the bench is: name, title, time zone, hash of its description."""
        await self._look()
        return bench_document(self._current)

    async def antennas(self) -> list[dict[str, Any]]:
        """The antennas of the bench file and its registers, as `antenna_document` gives them."""
        await self._look()
        now = self._current.now
        return [antenna_document(name, one) for name, one in now.antennas.items()]

    async def add_antenna(
        self, name: str, start: str | None, changes: Mapping[str, str]
    ) -> dict[str, Any]:
        """Add an antenna to the register; see `benchd.bench.register_entry`.

        Raises OrderRefused and BenchFileError; then nothing was written.
        """
        if self._bench_file is None:
            raise OrderRefused("this bench was not read from a file, so it has no register")
        _, file = await self._working.call(add_antenna, self._bench_file, name, start, changes)
        await self._look()
        found = self._current.now.antennas.get(name)
        if found is None:
            raise OrderRefused(
                f'"{name}" stands in {file}, and is not in force: {self._current.trouble}',
                advice="Mend the file; it is read again by itself.",
            )
        return {**antenna_document(name, found), "file": str(file)}

    async def instruments(self, *, ask: bool = False) -> list[dict[str, Any]]:
        """Name, kind, driver, address, identity, state, message, and when it last answered.

        ask: ask each instrument now, if no job is running; `asked` tells whether that was done.
        """
        asked = ask and self._roll is not None and await self._roll.ask()
        return [{**asdict(state), "asked": asked} for state in self._rig.states()]

    async def test_instrument(self, name: str) -> dict[str, Any]:
        """Try which commands an instrument takes, with RF off, while nothing runs."""
        if self._roll is None:
            raise OrderRefused("this daemon has no instruments to try")
        return await self._roll.test(name)

    async def reduced_curves(self, job_id: str) -> list[Curve]:
        """Reduce the job's captures again, and return the curves behind its results."""
        return await self._working.call(self._curves_again, job_id)

    async def reduce(self, job_id: str) -> list[ResultRecord]:
        """Reduce the job's captures again, and return the results. Stores nothing."""
        return await self._working.call(self._records_again, job_id)

    def _curves_again(self, job_id: str) -> list[Curve]:
        worksheet = self._store.worksheet(job_id)
        return self._reducer(worksheet).all_curves(job_id, worksheet)

    def _records_again(self, job_id: str) -> list[ResultRecord]:
        worksheet = self._store.worksheet(job_id)
        return self._reducer(worksheet).all_records(job_id, worksheet)

    def _reducer(self, worksheet: Worksheet) -> Reducer:
        return Reducer(self._current.of(worksheet, self._store), self._store)

    async def recipes(self) -> list[dict[str, Any]]:
        """Name, title, about and parameters of each recipe on the shelf."""
        return await self._reading.call(self._shelf.listing)

    def damage(self) -> list[str]:
        """Damaged rows of the store that lists leave out, one sentence each."""
        return self._store.damage()

    async def health(self) -> dict[str, Any]:
        """The state of the daemon: `HealthReport`. `wake`: why a person must be woken, in words."""
        states = self._rig.states()
        base = {
            "version": __version__,
            "bench": self._current.now.bench,
            "timezone": self._current.now.timezone,
            "bench_trouble": self._current.trouble,
            "running": self._runner.job_id,
            "live": self._live_state,
            "lost": [state.name for state in states if state.state == "lost"],
            "store": self._db.trouble,
        }
        return base if self._vitals is None else await self._vitals.document(base, states)

    async def waiting_line(
        self,
        source: RecipeSource | None = None,
        arguments: Mapping[str, str] | None = None,
        request: JobRequest = NOW,
    ) -> dict[str, Any]:
        """What waits and when it would run; with a recipe, as if that were queued as well.

        Then `worksheet` is what it would become. Raises as `queue` does.
        """
        if source is None:
            return await self.line.document()
        worksheet = await self.check(source, arguments or {})
        worksheet = with_serial(worksheet, request.serial, self._current.now)
        request.check(worksheet.expected_s, datetime.now(UTC))
        return {**await self.line.document(worksheet, request), "worksheet": worksheet}

    async def under_way(self) -> dict[str, Any]:
        """The job that runs or asks for hands, its step, time left, and its sweep so far.

        `job` is None where nothing runs; see `Underway.document` for the rest. `live`: whether a
        live look is `none`, `starting`, `on` or `ended`.
        """
        job_id = self._runner.job_id
        if job_id is None:
            nothing = {"job": None, "step": None, "left_s": None, "sweep": None}
            return {**nothing, "live": self._live_state}
        row = await self._db.call(self._store.job, job_id)
        return {"job": row, **self._runner.underway.document(), "live": self._live_state}

    def rf(self) -> dict[str, Any]:
        """What is known of RF now; see `rfnews.rf_document`."""
        return rf_document(self._rig.rf.now)

    def events(self, after: int | None = None) -> AsyncIterator[Event]:
        """Live events; see `EventHub.watch`."""
        return self._hub.watch(after)
