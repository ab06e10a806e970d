"""What takes long, or never ends, holds up nobody else."""

from __future__ import annotations

import asyncio
import threading
from typing import Any

import pytest

from benchd.engine.storethread import StoreThread
from benchd.engine.workthread import WorkThread
from benchd.errors import Busy
from benchd.job_request import RecipeSource
from tests.engine.office import Office
from tests.patience import PATIENCE_S

MANY = """
recipe: many
title: As many captures as a recipe may have
sweeps:
  main: {start: 1.6 GHz, stop: 1.8 GHz, points: 5, level: -10 dBm, resolution_bandwidth: 10 kHz}
steps:
  - repeat:
      times: 9900
      steps:
        - capture: {name: c $turn, role: empty, route: range, position: mount_a, sweep: main}
"""


async def test_a_recipe_of_thousands_of_captures_holds_up_no_other_order(office: Office) -> None:
    """It is worked out on a thread of its own, which is kept busy here until all have answered."""
    job, gate = await office.text(), threading.Event()
    holding = asyncio.create_task(office.desk._working.call(gate.wait, PATIENCE_S))
    await asyncio.sleep(0)
    checking = asyncio.create_task(office.desk.check(RecipeSource(text=MANY, file="many.yaml"), {}))
    await asyncio.sleep(0)
    assert (await office.desk.withdraw(job.id)).state == "withdrawn"
    assert (await office.desk.jobs(limit=1))[0].id == job.id
    gate.set()
    assert await holding
    assert len((await checking).steps) == 9900


async def test_safer_orders_come_before_what_waits_for_the_store() -> None:
    thread, began, gate = StoreThread(), threading.Event(), threading.Event()
    done: list[str] = []

    def first() -> None:
        began.set()
        gate.wait(PATIENCE_S)
        done.append("first")

    calls = [asyncio.create_task(thread.call(first))]
    await asyncio.to_thread(began.wait, PATIENCE_S)
    calls += [asyncio.create_task(thread.call(done.append, f"other {n}")) for n in range(3)]
    await asyncio.sleep(0)
    calls.append(asyncio.create_task(thread.call_first(done.append, "withdraw")))
    await asyncio.sleep(0)
    gate.set()
    await asyncio.gather(*calls)
    assert done == ["first", "withdraw", "other 0", "other 1", "other 2"]
    thread.close()


async def test_an_error_reaches_the_caller() -> None:
    def fails() -> None:
        raise KeyError("gone")

    with pytest.raises(KeyError, match="gone"):
        await WorkThread("a test", limit_s=PATIENCE_S).call(fails)
    thread = StoreThread()
    with pytest.raises(KeyError, match="gone"):
        await thread.call(fails)
    thread.close()


async def test_work_that_hangs_is_given_up_and_later_calls_are_told_at_once() -> None:
    """As a network folder whose server is gone. When it comes back, so does the room."""
    room, gate = WorkThread("reading the recipes", limit_s=0.1), threading.Event()
    with pytest.raises(Busy, match=r"reading the recipes has not ended within 0 s"):
        await room.call(gate.wait, PATIENCE_S)
    await asyncio.sleep(0.1)
    with pytest.raises(Busy, match="reading the recipes has not ended since it began"):
        await room.call(print)
    gate.set()
    async with asyncio.timeout(PATIENCE_S):
        while True:
            try:
                assert await room.call(lambda: 42) == 42
                break
            except Busy:
                await asyncio.sleep(0.01)


async def test_only_a_few_may_wait() -> None:
    room, gate = WorkThread("a test", limit_s=PATIENCE_S, most_waiting=3), threading.Event()
    calls = [asyncio.create_task(room.call(gate.wait, PATIENCE_S)) for _ in range(3)]
    await asyncio.sleep(0)
    with pytest.raises(Busy, match="3 calls wait for a test already"):
        await room.call(print)
    gate.set()
    assert await asyncio.gather(*calls) == [True] * 3


async def test_what_hangs_does_not_keep_the_program_from_ending() -> None:
    room: Any = WorkThread("a test", limit_s=0.05)
    gate = threading.Event()
    with pytest.raises(Busy):
        await room.call(gate.wait, PATIENCE_S)
    assert room._thread.daemon
    gate.set()
