"""Reading the bench file again, while those who asked for it give up or nobody answers."""

from __future__ import annotations

import asyncio
import threading
from collections.abc import AsyncIterator
from dataclasses import dataclass, field
from pathlib import Path

import pytest

from benchd.bench import Bench
from benchd.bench.bench import read_bench
from benchd.engine.benchthread import BenchThread
from benchd.engine.current_bench import CurrentBench
from benchd.engine.events import EventHub
from benchd.engine.queue import JobQueue
from benchd.engine.reload import Reload
from benchd.engine.runner import Runner
from benchd.engine.storethread import StoreThread
from benchd.errors import LinkLost
from benchd.store import Store
from tests.engine.office import ROOT, QuietRig
from tests.patience import PATIENCE_S

OLD, NEW = "TCPIP::127.0.0.1::50251::SOCKET", "TCPIP::127.0.0.1::50999::SOCKET"


@dataclass
class ChangingRig(QuietRig):
    """Goes over to another bench once it is let; its source answers at one address alone."""

    bench: Bench | None = None
    answers_at: str = OLD
    adopting: threading.Event = field(default_factory=threading.Event)
    let: threading.Event = field(default_factory=threading.Event)
    closing: list[str] = field(default_factory=list)

    def adopt(self, bench: Bench) -> None:
        self.adopting.set()
        assert self.let.wait(PATIENCE_S)
        self.bench = bench

    def begin_closing(self) -> None:
        self.closing.append("closing")

    def rf_not_verified(self) -> list[str]:
        assert self.bench is not None
        answers = self.bench.instruments["generator"].address == self.answers_at
        return [] if answers else ["generator"]

    def rf_off(self) -> None:
        if self.rf_not_verified():
            raise LinkLost("does not answer", where="generator")
        self.log.append("rf off")


@dataclass
class Changing:
    """A bench file, and what reads it again."""

    file: Path
    live: CurrentBench
    rig: ChangingRig
    thread: BenchThread
    reload: Reload

    def write(self, old: str, new: str) -> None:
        text = self.file.read_text()
        assert old in text
        self.file.write_text(text.replace(old, new))


@pytest.fixture
async def changing(tmp_path: Path) -> AsyncIterator[Changing]:
    file = tmp_path / "workshop.yaml"
    file.write_text((ROOT / "recipes" / "benches" / "workshop.yaml").read_text())
    bench, written = read_bench(file)
    rig, live = ChangingRig(bench=bench), CurrentBench(bench, written)
    thread = BenchThread("workshop", rig.stop, closing=rig.begin_closing)
    reload = Reload(
        live,
        file,
        addresses={},
        rig=rig,  # type: ignore[arg-type]
        bench_thread=thread,
        claim=lambda bench: None,
        let_go=lambda before, after: None,
    )
    yield Changing(file, live, rig, thread, reload)
    rig.let.set()
    thread.close()


async def test_who_gives_up_waiting_for_a_change_ends_nothing(changing: Changing) -> None:
    """Stopped is the bench thread by the daemon's end alone: nothing could be verified off then."""
    changing.write(OLD, NEW)
    looking = asyncio.create_task(changing.reload.look())
    assert await asyncio.to_thread(changing.rig.adopting.wait, PATIENCE_S)
    looking.cancel()
    with pytest.raises(asyncio.CancelledError):
        await looking
    assert changing.rig.closing == []
    assert not changing.rig.stop.is_set()
    changing.rig.let.set()
    await changing.reload.look()
    assert changing.live.now.instruments["generator"].address == NEW


async def test_a_wrong_address_that_is_mended_is_read_while_rf_off_is_still_tried(
    changing: Changing, tmp_path: Path
) -> None:
    changing.rig.let.set()
    changing.rig.answers_at = NEW
    hub, database = EventHub(), StoreThread()
    store = await database.call(Store.open, tmp_path / "benchd.sqlite")
    runner = Runner(
        bench=changing.live,
        store=store,
        store_thread=database,
        rig=changing.rig,  # type: ignore[arg-type]
        bench_thread=changing.thread,
        hub=hub,
    )
    queue = JobQueue(
        bench_name="workshop",
        store=store,
        store_thread=database,
        rig=changing.rig,  # type: ignore[arg-type]
        bench_thread=changing.thread,
        runner=runner,
        hub=hub,
        reload=changing.reload,
    )
    working = asyncio.create_task(queue.run())
    try:
        changing.write(OLD, NEW)
        async with asyncio.timeout(PATIENCE_S):
            while "connect" not in changing.rig.log:
                await asyncio.sleep(0.01)
        assert changing.live.now.instruments["generator"].address == NEW
    finally:
        working.cancel()
        await asyncio.wait({working})
        await database.call(store.close)
        database.close()
        hub.close()
