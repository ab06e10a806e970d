"""Fixtures: an office that waits, and one whose queue works."""

from __future__ import annotations

import asyncio
from collections.abc import AsyncIterator
from contextlib import suppress
from pathlib import Path
from typing import Any

import pytest

from benchd.bench import load_bench
from benchd.engine.benchthread import BenchThread
from benchd.engine.desk import BenchDesk
from benchd.engine.events import EventHub
from benchd.engine.queue import JobQueue
from benchd.engine.recipes import RecipeShelf
from benchd.engine.runner import Runner
from benchd.engine.storethread import StoreThread
from benchd.store import Store
from tests.engine.office import ROOT, Office, QuietRig


@pytest.fixture
async def office(tmp_path: Path) -> AsyncIterator[Office]:
    bench = load_bench(ROOT / "recipes" / "benches" / "workshop.yaml")
    db, hub, rig = StoreThread(), EventHub(), QuietRig()
    store = await db.call(Store.open, tmp_path / "benchd.sqlite")
    thread = BenchThread("workshop", rig.stop)
    parts: dict[str, Any] = {
        "store": store, "store_thread": db, "rig": rig, "bench_thread": thread, "hub": hub
    }  # fmt: skip
    runner = Runner(bench=bench, **parts)
    queue = JobQueue(bench_name="workshop", runner=runner, **parts)
    shelf = RecipeShelf([ROOT / "recipes"])
    desk = BenchDesk(
        bench=bench, shelf=shelf, store=store, store_thread=db, rig=rig, runner=runner,
        queue=queue, hub=hub,
    )  # type: ignore[arg-type]  # fmt: skip
    yield Office(store, desk, queue, rig, hub)
    runner.close()
    thread.close()
    await db.call(store.close)
    db.close()


@pytest.fixture
async def working(office: Office) -> AsyncIterator[Office]:
    task = asyncio.create_task(office.queue.run())
    yield office
    task.cancel()
    with suppress(asyncio.CancelledError):
        await task
