"""Switches that are set for the next capture while the last one is stored."""

from __future__ import annotations

import asyncio
import threading
import time
from pathlib import Path
from typing import Any

import pytest

from benchd.bench import load_bench
from benchd.engine import rig as rig_module
from benchd.engine.benchthread import BenchThread
from benchd.engine.switching_ahead import switching_ahead
from benchd.errors import LinkLost
from benchd.recipe import load_recipe, resolve
from benchd.worksheet import CaptureStep, SwitchSetting
from simulators.world import World
from simulators.world.files import read_world, world_path
from tests.coverage_study.memory import MemoryRig, VirtualBench
from tests.engine.office import ONE_CAPTURE
from tests.patience import PATIENCE_S

BENCH = load_bench(Path(__file__).resolve().parents[2] / "recipes" / "benches" / "workshop.yaml")
OPEN, ANTENNA = (
    [SwitchSetting(instrument="switch", channels=channels)]
    for channels in ((101, 301, 201), (101, 301, 204))
)


class Noted(MemoryRig):
    """Notes each order to switch and each look whether RF is off."""

    noted: list[str]

    def rf_off(self) -> None:
        self.noted.append("rf off")
        super().rf_off()

    def switch(self, settings: Any) -> None:
        settings = list(settings)
        self.noted.append(f"switch {settings[0].channels[-1]}")
        super().switch(settings)


@pytest.fixture
def rig() -> Noted:
    virtual = VirtualBench(World(read_world(world_path("workshop"))), BENCH)
    made = Noted(BENCH, virtual.workbench)
    made.noted = []
    return made


def test_a_path_that_was_set_ahead_is_not_set_again(rig: Noted) -> None:
    rig.switch_ahead(OPEN)
    rig.set_path(OPEN)
    assert rig.noted == ["rf off", "switch 201"]
    # Only once: the next capture proves its path itself.
    rig.set_path(OPEN)
    assert rig.noted == ["rf off", "switch 201"] * 2


@pytest.mark.parametrize("meanwhile", ["other path", "long ago", "link closed", "other switching"])
def test_a_path_set_ahead_counts_only_if_nothing_has_come_between(
    rig: Noted, monkeypatch: pytest.MonkeyPatch, meanwhile: str
) -> None:
    rig.switch_ahead(OPEN)
    wanted = OPEN
    match meanwhile:
        case "other path":
            wanted = ANTENNA
        case "long ago":
            later = time.monotonic() + 2.0 * rig_module.AHEAD_S
            monkeypatch.setattr(rig_module.time, "monotonic", lambda: later)
        case "link closed":
            rig.let_go(["switch"])
        case "other switching":
            rig.switch(OPEN)
    rig.noted.clear()
    rig.set_path(wanted)
    assert rig.noted == ["rf off", f"switch {wanted[0].channels[-1]}"]


def upcoming() -> CaptureStep:
    (step,) = resolve(load_recipe(ONE_CAPTURE, file="one.yaml"), BENCH, {}).steps
    assert isinstance(step, CaptureStep)
    return step


class Slow:
    """A rig whose switch answers only when it is told to, or fails."""

    def __init__(self, fails: bool = False) -> None:
        self.begun, self.may_end, self.ended = (threading.Event() for _ in range(3))
        self._fails = fails

    def switch_ahead(self, settings: Any) -> None:
        self.begun.set()
        assert self.may_end.wait(PATIENCE_S)
        self.ended.set()
        if self._fails:
            raise LinkLost("does not answer", where="switch")


async def test_what_is_stored_and_what_is_switched_do_not_wait_for_each_other() -> None:
    slow: Any = Slow()
    thread = BenchThread("test", threading.Event())
    async with switching_ahead(thread, slow, upcoming()):
        # The body runs while the switch is being set.
        assert await asyncio.to_thread(slow.begun.wait, PATIENCE_S)
        assert not slow.ended.is_set()
        slow.may_end.set()
    assert slow.ended.is_set()
    thread.close()


async def test_a_switch_that_fails_ahead_is_left_to_the_capture_that_needs_it() -> None:
    slow: Any = Slow(fails=True)
    slow.may_end.set()
    thread = BenchThread("test", threading.Event())
    async with switching_ahead(thread, slow, upcoming()):
        pass
    thread.close()


async def test_a_daemon_that_stops_meanwhile_tells_the_switch_to_give_up() -> None:
    slow: Any = Slow()
    stop = threading.Event()
    thread = BenchThread("test", stop, closing=slow.may_end.set)

    async def storing() -> None:
        async with switching_ahead(thread, slow, upcoming()):
            await asyncio.sleep(PATIENCE_S)

    task = asyncio.create_task(storing())
    assert await asyncio.to_thread(slow.begun.wait, PATIENCE_S)
    task.cancel()
    with pytest.raises(asyncio.CancelledError):
        await task
    assert stop.is_set()
    assert slow.ended.is_set()
    thread.close()


async def test_nothing_is_switched_where_no_capture_follows() -> None:
    slow: Any = Slow()
    thread = BenchThread("test", threading.Event())
    async with switching_ahead(thread, slow, None):
        pass
    assert not slow.begun.is_set()
    thread.close()
