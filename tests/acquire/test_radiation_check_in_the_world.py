"""Liars on the virtual bench by every sweep method, played in memory, without waiting."""

from __future__ import annotations

from functools import partial
from pathlib import Path
from typing import Any

import pytest

from benchd.acquire import Sweep, SweepInstruments, run_sweep, silent_after
from benchd.bench import load_bench, parse_bench
from benchd.errors import InstrumentRefused, StillRadiating
from benchd.sweeps import SweepPlan
from benchd.worksheet import SwitchSetting
from simulators.world import World
from simulators.world.files import read_world, world_path
from tests.coverage_study.memory import VirtualBench

WORKSHOP = Path(__file__).parents[2] / "recipes" / "benches" / "workshop.yaml"
OPEN = [SwitchSetting(instrument="switch", channels=(101, 301, 201))]
OUTPUTS = {"stepped": ("generator", "output"), "hold": ("generator", "output"),
           "tracking": ("analyzer", "tracking")}  # fmt: skip


def plan(method: str) -> SweepPlan:
    more: dict[str, Any] = {"free_run_s": 20.0, "sweep_time_s": 0.2} if method == "hold" else {}
    return SweepPlan(
        method=method, start_hz=1.6e9, stop_hz=1.8e9, points=41, level_dbm=-10.0,
        resolution_bandwidth_hz=1e5, dwell_s=0.002, **more,
    )  # fmt: skip


def measured(method: str, *, lies: bool = False, ignores: str = "") -> Sweep:
    text = WORKSHOP.read_text().replace(
        "    largest_input: 20 dBm\n",
        "    largest_input: 20 dBm\n    tracking_level: [-40 dBm, 0 dBm]\n",
    )
    bench = parse_bench(text)
    assert bench.hash != load_bench(WORKSHOP).hash
    virtual = VirtualBench(World(read_world(world_path("workshop"))), bench)
    rig, (name, output) = virtual.rig, OUTPUTS[method]
    liar = virtual.workbench.instruments[name]
    if ignores:
        liar.disregard(ignores, pretend=False)
    both = SweepInstruments(
        analyzer=rig.drivers["analyzer"],
        source=None if method == "tracking" else rig.drivers["generator"],
    )
    look: Any = partial(silent_after, plan(method), both, lowest_dbm=-40.0)

    def betrayed(procedure: Any) -> Any:
        """The procedure; once RF is on, the source no longer hears that it is to go off."""
        try:
            item = next(procedure)
            while True:
                replies = yield item
                if lies and liar.values[output]:
                    liar.disregard(output, pretend=True)
                item = procedure.send(replies)
        except StopIteration as stop:
            return stop.value

    rig.rf_off()
    rig.switch(OPEN)
    names = ["analyzer"] if method == "tracking" else ["generator", "analyzer"]
    sweep: Sweep = rig.measure(
        betrayed(run_sweep(plan(method), both)), names, lambda _: None, then=look
    )
    assert not virtual.workbench.rf_is_on()
    return sweep


@pytest.mark.parametrize("method", OUTPUTS)
def test_an_honest_source_is_seen_to_be_off(method: str) -> None:
    sweep = measured(method)
    assert sweep.flags == ()
    assert max(sweep.off_dbm) < -80.0


@pytest.mark.parametrize("method", OUTPUTS)
def test_a_source_that_lies_about_off_is_seen_by_every_method(method: str) -> None:
    with pytest.raises(StillRadiating) as said:
        measured(method, lies=True)
    assert said.value.where == OUTPUTS[method][0]


@pytest.mark.parametrize(
    ("method", "setting"),
    [
        ("stepped", "level"),
        ("stepped", "frequency"),
        ("hold", "level"),
        ("tracking", "tracking level"),
    ],
)
def test_a_setting_that_is_ignored_fails_every_method(method: str, setting: str) -> None:
    quantity = setting.rpartition(" ")[2]
    with pytest.raises(InstrumentRefused, match=f"the {quantity} is not what was set"):
        measured(method, ignores=setting)
