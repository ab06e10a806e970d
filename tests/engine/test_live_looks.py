"""Live looks beside the queue: what starts, what gives way, what is kept. Without instruments.

The rig here runs the procedure against a made-up path of 20 dB loss; the sweeps are those of
`benchd.acquire`, and everything but the instruments is real.
"""

from __future__ import annotations

import asyncio
import threading
import time
from collections.abc import AsyncIterator, Callable, Iterable
from contextlib import suppress
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import pytest

from benchd.bench import load_bench
from benchd.engine.asking_instruments import InstrumentCalls
from benchd.engine.benchthread import BenchThread
from benchd.engine.current_bench import CurrentBench
from benchd.engine.driver_errors import translated
from benchd.engine.events import EventHub
from benchd.engine.livelook.keeping import stored
from benchd.engine.livelook.looks import MOST_PREPARED, LiveLooks
from benchd.engine.queue import JobQueue
from benchd.engine.rfwatch import RfWatch
from benchd.engine.runner import Runner
from benchd.engine.source_record import made_drivers
from benchd.engine.storethread import StoreThread
from benchd.errors import LinkLost, OrderRefused, RecipeError, UnsafeError
from benchd.recipe import load_recipe, resolve
from benchd.store import Store, StoreFull
from drivers.player import CannedPlayer
from tests.acquire.test_radiation_check import Room
from tests.engine.office import ROOT, WAITING
from tests.patience import PATIENCE_S


class Path20(Room):
    """The made-up path, and a switch that is always as it was set."""

    def __call__(self, exchange: Any) -> str | None:
        if exchange.instrument == "switch":
            return "1,1,1" if "?" in exchange.message else None
        if exchange.message == ":SYST:ERR?":
            return '0,"No error"'
        if exchange.message.endswith("TRACE1"):
            time.sleep(0.001)  # as fast as no instrument is, and slow enough for the event loop
        return super().__call__(exchange)


@dataclass
class LookRig:
    """Runs a look's procedure. broken_with: raised in place of it."""

    bench: Any
    stop: threading.Event = field(default_factory=threading.Event)
    rf: RfWatch = field(default_factory=RfWatch)
    broken_with: Exception | None = None
    doubted: list[str] = field(default_factory=list)
    radiated: int = 0
    log: list[str] = field(default_factory=list)

    def __post_init__(self) -> None:
        self.drivers = made_drivers(self.bench)

    def rf_off(self) -> None:
        self.log.append("rf off")
        self.rf.off_verified(["generator"])

    def try_connect(self) -> None: ...

    def connect(self, names: Iterable[str]) -> None: ...

    def switch(self, settings: Any) -> None: ...

    def temperature_c(self) -> dict[str, float]:
        return {"temperature_c": 21.5}

    def rf_not_verified(self) -> list[str]:
        return self.doubted

    def identities(self, names: Iterable[str]) -> dict[str, str]:
        return dict.fromkeys(names, "Workshop,Instrument")

    def ask(self, name: str) -> None:
        self.log.append(f"asked {name}")

    def measure(
        self, procedure: Any, names: list[str], on_progress: Any, *, lid: Any, then: Any, **_: Any
    ) -> Any:
        self.log.append(f"measure, lid {lid}")
        self.radiated += 1
        if self.broken_with is not None:
            raise self.broken_with
        room = Path20()
        player = CannedPlayer(room, cancel=self.stop.is_set)
        with translated():
            outcome = player.run(procedure)
        for exchange in self.drivers["generator"].rf_off():
            room(exchange)
        found = player.run(then(outcome))
        self.rf_off()
        return found


@dataclass
class Bureau:
    looks: LiveLooks
    queue: JobQueue
    rig: LookRig
    store: Store
    db: StoreThread
    calls: InstrumentCalls
    bench: Any
    seconds: float = 0.0

    def clock(self) -> float:
        return self.seconds

    async def prepared(self, **arguments: str) -> str:
        plan = await self.looks.prepare("dipole r3", {"show": "level", "points": "11"} | arguments)
        return plan.digest

    async def on(self) -> str:
        """Start a look and wait until it sweeps; its viewer."""
        viewer = await self.looks.start(await self.prepared())
        await until(lambda: self.looks.document()["state"] == "on")
        return viewer

    async def job(self, seconds: float = 0.0) -> str:
        recipe = load_recipe(WAITING.format(seconds=seconds + 0.01, on_interrupt="resume"))
        row = await self.db.call(self.store.add_job, resolve(recipe, self.bench, {}))
        self.queue.wake()
        return row.id

    def reason(self) -> str:
        return str(self.looks.document()["ending"]["reason"])


async def until(condition: Callable[[], Any]) -> None:
    async with asyncio.timeout(PATIENCE_S):
        while not condition():
            await asyncio.sleep(0.005)


@pytest.fixture
async def idle(tmp_path: Path) -> AsyncIterator[Bureau]:
    """Everything but a queue that works."""
    bench = load_bench(ROOT / "recipes" / "benches" / "workshop.yaml")
    db, hub, rig = StoreThread(), EventHub(), LookRig(bench)
    store = await db.call(Store.open, tmp_path / "benchd.sqlite")
    thread = BenchThread("workshop", rig.stop)
    parts: dict[str, Any] = {
        "store": store, "store_thread": db, "rig": rig, "bench_thread": thread, "hub": hub
    }  # fmt: skip
    runner = Runner(bench=bench, **parts)
    found: list[Bureau] = []
    looks = LiveLooks(
        bench=CurrentBench(bench),
        job_running=lambda: runner.job_id,
        clock=lambda: found[0].clock(),
        **parts,
    )
    queue = JobQueue(bench_name="workshop", runner=runner, looks=looks, **parts)
    calls = InstrumentCalls(rig, thread, runner, looks)
    found.append(Bureau(looks, queue, rig, store, db, calls, bench))
    yield found[0]
    thread.close()
    await db.call(store.close)
    db.close()


@pytest.fixture
async def bureau(idle: Bureau) -> AsyncIterator[Bureau]:
    task = asyncio.create_task(idle.queue.run())
    yield idle
    task.cancel()
    with suppress(asyncio.CancelledError):
        await task


async def test_ten_seconds_of_silence_end_a_look(bureau: Bureau) -> None:
    viewer = await bureau.on()
    bureau.seconds += 9.0
    assert bureau.looks.here(viewer, bureau.looks.tick())["viewers"] == 1
    bureau.seconds += 9.0
    assert bureau.looks.here(viewer, bureau.looks.tick())["state"] == "on"
    bureau.seconds += 10.0
    await until(lambda: bureau.looks.document()["state"] == "ended")
    assert bureau.reason() == "nobody-looks"
    assert bureau.rig.log[-1] == "rf off"


async def test_of_two_that_start_at_once_one_is_told_that_a_look_is_on(bureau: Bureau) -> None:
    digest = await bureau.prepared()
    both = await asyncio.gather(
        *(bureau.looks.start(digest) for _ in range(2)), return_exceptions=True
    )
    refused = [one for one in both if isinstance(one, OrderRefused)]
    assert [one.message for one in refused] == ["a live look is on already"]
    await until(lambda: bureau.looks.document()["state"] == "on")
    bureau.looks.end()
    await until(lambda: bureau.looks.document()["state"] == "ended")
    assert bureau.rig.radiated == 1


async def test_a_look_never_radiates_on_a_bench_described_otherwise_since_it_was_started(
    idle: Bureau,
) -> None:
    """Its level was found safe for the cable that was there."""
    await idle.looks.start(await idle.prepared())
    cable = idle.bench.fixtures["source_cable"].model_copy(update={"largest_power_dbm": -60.0})
    fixtures = {**idle.bench.fixtures, "source_cable": cable}
    idle.looks._bench.adopt(idle.bench.model_copy(update={"fixtures": fixtures}), ())
    await idle.looks.run()
    assert idle.rig.radiated == 0
    assert "described otherwise" in idle.looks.document()["ending"]["message"]


async def test_a_look_that_waits_gives_way_to_a_job_and_never_radiates(idle: Bureau) -> None:
    """The queue's next turn finds both: the job goes first, and the look is over."""
    await idle.looks.start(await idle.prepared())
    job = await idle.job()
    task = asyncio.create_task(idle.queue.run())
    async with asyncio.timeout(PATIENCE_S):
        while (await idle.db.call(idle.store.job, job)).state != "done":
            await asyncio.sleep(0.005)
    assert idle.reason() == "job"
    assert idle.rig.radiated == 0
    task.cancel()
    with suppress(asyncio.CancelledError):
        await task


async def test_a_look_whose_viewer_left_before_it_began_never_radiates(idle: Bureau) -> None:
    viewer = await idle.looks.start(await idle.prepared())
    idle.looks.leave(viewer)
    task = asyncio.create_task(idle.queue.run())
    await until(lambda: idle.looks.document()["state"] == "ended")
    assert idle.reason() == "nobody-looks"
    task.cancel()
    with suppress(asyncio.CancelledError):
        await task
    # The rig was asked, and the procedure ended before it switched anything on.
    assert "on" not in idle.rig.rf.now.state


async def test_while_a_job_waits_that_may_run_no_look_is_started(idle: Bureau) -> None:
    digest = await idle.prepared()
    await idle.job()
    with pytest.raises(OrderRefused, match="a job may run now and goes first"):
        await idle.looks.start(digest)


async def test_while_rf_is_not_verified_off_no_look_is_started(idle: Bureau) -> None:
    idle.rig.doubted = ["generator"]
    with pytest.raises(OrderRefused, match="RF is not verified off: generator"):
        await idle.looks.start(await idle.prepared())


async def test_an_error_ends_the_look_and_is_told(bureau: Bureau) -> None:
    bureau.rig.broken_with = LinkLost("does not answer", where="generator")
    await bureau.looks.start(await bureau.prepared())
    await until(lambda: bureau.looks.document()["state"] == "ended")
    ending = bureau.looks.document()["ending"]
    assert (ending["reason"], ending["family"], ending["where"]) == (
        "failed", "link-lost", "generator",
    )  # fmt: skip
    with pytest.raises(OrderRefused, match="has ended: does not answer"):
        await bureau.looks.keep()
    # The next one begins as if nothing had been.
    bureau.rig.broken_with = None
    await bureau.on()


async def test_instruments_are_not_asked_while_somebody_looks(bureau: Bureau) -> None:
    await bureau.on()
    assert await bureau.calls.ask() is False
    bureau.looks.end()
    await until(lambda: bureau.looks.document()["state"] == "ended")
    assert await bureau.calls.ask() is True


async def test_a_look_that_was_broken_off_leaves_no_stop_behind(bureau: Bureau) -> None:
    await bureau.on()
    bureau.rig.stop.set()
    await until(lambda: bureau.looks.document()["state"] == "ended")
    assert bureau.reason() == "stopping"
    await until(lambda: not bureau.rig.stop.is_set())


async def test_the_last_sweep_can_still_be_kept_after_the_end(bureau: Bureau) -> None:
    viewer = await bureau.on()
    bureau.looks.leave(viewer)
    await until(lambda: bureau.looks.document()["state"] == "ended")
    kept = await bureau.looks.keep()
    assert kept.job.state == "done"
    assert kept.capture.readings["temperature_c"] == 21.5
    stored = await bureau.db.call(bureau.store.capture, kept.capture.id)
    assert stored.level.frequency_hz.size == 11
    assert (await bureau.looks.keep()).capture.id == kept.capture.id


async def test_where_nothing_can_be_stored_nothing_is_confirmed_and_it_may_be_tried_again(
    bureau: Bureau, monkeypatch: pytest.MonkeyPatch
) -> None:
    await bureau.on()
    bureau.looks.end()
    await until(lambda: bureau.looks.document()["state"] == "ended")
    with monkeypatch.context() as broken:

        def full(*_: Any, **__: Any) -> None:
            raise StoreFull("no room is left on the disk")

        broken.setattr(bureau.store, "commit_capture", full)
        with pytest.raises(StoreFull):
            await bureau.looks.keep()
        assert await bureau.db.call(bureau.store.jobs) == []
    kept = await bureau.looks.keep()
    assert [job.id for job in await bureau.db.call(bureau.store.jobs)] == [kept.job.id]


async def test_a_kept_sweep_that_the_daemons_end_left_unreduced_is_ended_by_the_next_start(
    idle: Bureau,
) -> None:
    """Nothing radiates for that: its capture is stored, and only reducing is left."""
    task = asyncio.create_task(idle.queue.run())
    await idle.on()
    idle.looks.end()
    await until(lambda: idle.looks.document()["state"] == "ended")
    task.cancel()
    with suppress(asyncio.CancelledError):
        await task
    look, taken = idle.looks._look, idle.looks._held[-1]
    assert look is not None
    kept = await idle.db.call(stored, look.plan, taken, idle.looks._bench, idle.store)
    assert kept.job.state == "running"
    radiated = idle.rig.radiated
    idle.rig.stop.clear()
    again = asyncio.create_task(idle.queue.run())
    async with asyncio.timeout(PATIENCE_S):
        while (await idle.db.call(idle.store.job, kept.job.id)).state != "done":
            await asyncio.sleep(0.005)
    assert idle.rig.radiated == radiated
    again.cancel()
    with suppress(asyncio.CancelledError):
        await again


async def test_a_slow_viewer_misses_sweeps_and_does_not_lag(bureau: Bureau) -> None:
    viewer = await bureau.on()
    slow = bureau.looks.watch()
    first = await anext(slow)
    assert first.kind == "look"
    seen = []
    for _ in range(3):
        before = bureau.looks._held[-1].number
        await until(lambda before=before: bureau.looks._held[-1].number >= before + 5)
        told = await anext(slow)
        while told.kind != "sweep":
            told = await anext(slow)
        seen.append((told.data["number"], bureau.looks._held[-1].number))
    assert all(newest - number <= 1 for number, newest in seen), seen
    bureau.looks.leave(viewer)
    kinds = [told.kind async for told in slow]
    assert kinds[-1] == "ended"


async def test_worksheets_that_were_prepared_are_remembered_up_to_a_bound(idle: Bureau) -> None:
    first = await idle.prepared()
    for number in range(MOST_PREPARED):
        await idle.prepared(time=f"{number + 10} s")
    with pytest.raises(OrderRefused, match="no live look with a worksheet of this hash"):
        await idle.looks.start(first)


async def test_a_worksheet_that_would_be_another_by_now_is_refused(idle: Bureau) -> None:
    digest = await idle.prepared()
    bench = idle.looks._bench
    cable = bench.now.fixtures["source_cable"].model_copy(update={"largest_power_dbm": 20.0})
    fixtures = {**bench.now.fixtures, "source_cable": cable}
    bench.now = bench.now.model_copy(update={"fixtures": fixtures})
    with pytest.raises(OrderRefused, match="have changed since this worksheet was made"):
        await idle.looks.start(digest)


@pytest.mark.parametrize(
    ("arguments", "error", "words"),
    [
        ({"level": "14 dBm", "lid": "open"}, UnsafeError, "lid"),
        ({"position": "nowhere"}, RecipeError, 'has no position "nowhere"'),
        ({"level": "40 dBm"}, RecipeError, "live-look: level: found 40 dBm"),
        ({"points": "5"}, RecipeError, "expected 11 or more"),
        ({"speed": "fast"}, RecipeError, "no such parameter"),
        ({"show": "return-loss", "route": "range", "position": "mount_a"}, OrderRefused,
         "is a transmission, it has no return loss"),
    ],
)  # fmt: skip
async def test_what_cannot_be_is_refused_in_words(
    idle: Bureau, arguments: dict[str, str], error: type[Exception], words: str
) -> None:
    with pytest.raises(error) as refused:
        await idle.prepared(**arguments)
    assert words in str(refused.value)


async def test_a_limit_that_nobody_states_is_refused(idle: Bureau) -> None:
    bench = idle.looks._bench
    analyzer = bench.now.instruments["analyzer"].model_copy(update={"largest_input_dbm": None})
    instruments = {**bench.now.instruments, "analyzer": analyzer}
    bench.now = bench.now.model_copy(update={"instruments": instruments})
    with pytest.raises(UnsafeError, match="analyzer"):
        await idle.prepared()


async def test_a_name_that_is_neither_antenna_nor_route_is_told_the_nearest(idle: Bureau) -> None:
    with pytest.raises(OrderRefused, match='did you mean "dipole r3"'):
        await idle.looks.prepare("dipole r", {})
