"""Instruments are asked when a person wants to know, and never where it could do harm."""

from __future__ import annotations

import asyncio
from types import SimpleNamespace
from typing import Any

from benchd.engine.asking_instruments import InstrumentCalls
from benchd.errors import LinkLost
from tests.patience import PATIENCE_S


class Rig:
    """Two instruments; the second does not answer. `until` holds up each answer."""

    def __init__(self) -> None:
        self.bench = SimpleNamespace(instruments={"generator": None, "analyzer": None})
        self.asked: list[str] = []
        self.in_doubt: list[str] = []

    def rf_not_verified(self) -> list[str]:
        return self.in_doubt

    def ask(self, name: str) -> None:
        self.asked.append(name)
        if name == "analyzer":
            raise LinkLost("does not answer", where=name)


class Thread:
    """Does the work when it is let."""

    def __init__(self) -> None:
        self.let = asyncio.Event()
        self.let.set()

    async def run(self, work: Any) -> Any:
        await self.let.wait()
        return work()


def call(job_id: str | None = None) -> tuple[InstrumentCalls, Rig, Thread, Any]:
    rig, thread, runner = Rig(), Thread(), SimpleNamespace(job_id=job_id)
    runner_of_tests: Any = runner
    return InstrumentCalls(rig, thread, runner_of_tests), rig, thread, runner


async def test_each_is_asked_and_one_that_is_gone_keeps_no_other_from_it() -> None:
    roll, rig, _, _ = call()
    assert await roll.ask() is True
    assert rig.asked == ["generator", "analyzer"]


async def test_none_is_asked_while_a_job_is_under_way_or_rf_is_in_doubt() -> None:
    roll, rig, _, _ = call("job-1")
    assert await roll.ask() is False
    roll, rig, _, _ = call()
    rig.in_doubt = ["generator"]
    assert await roll.ask() is False
    assert rig.asked == []


async def test_a_job_that_begins_meanwhile_ends_the_asking() -> None:
    roll, rig, thread, runner = call()
    thread.let.clear()
    asking = asyncio.create_task(roll.ask())
    await asyncio.sleep(0)
    await asyncio.sleep(0)
    runner.job_id = "job-1"
    thread.let.set()
    async with asyncio.timeout(PATIENCE_S):
        assert await asking is True
    assert rig.asked == ["generator"]


async def test_many_who_ask_share_one_asking_and_who_gives_up_ends_nothing() -> None:
    roll, rig, thread, _ = call()
    thread.let.clear()
    impatient, patient = asyncio.create_task(roll.ask()), asyncio.create_task(roll.ask())
    await asyncio.sleep(0)
    impatient.cancel()
    await asyncio.wait({impatient})
    thread.let.set()
    async with asyncio.timeout(PATIENCE_S):
        assert await patient is True
    assert rig.asked == ["generator", "analyzer"]
