"""Captures of the virtual bench, whole and broken, held against what their path can give.

Played in memory, on a clock that stands still; the world's physics is apart from benchd's.
"""

from __future__ import annotations

from dataclasses import replace
from functools import partial
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from benchd.acquire import Sweep, SweepInstruments, run_sweep, silent_after
from benchd.acquire.capture_check import broken_path
from benchd.bench import load_bench
from benchd.bench.levels import typical_level_dbm
from benchd.recipe.load import load_recipe
from benchd.recipe.resolve import resolve
from benchd.worksheet import CaptureStep
from simulators.world import World
from simulators.world.files import read_world, world_path
from tests.coverage_study.memory import VirtualBench
from tests.usual import usual

ROOT = Path(__file__).parents[2]
BENCH = load_bench(ROOT / "recipes" / "benches" / "workshop.yaml")


def virtual() -> VirtualBench:
    return VirtualBench(World(read_world(world_path("workshop"))), BENCH)


def steps(recipe: str, **arguments: str) -> list[CaptureStep]:
    sheet = resolve(
        load_recipe(ROOT / "recipes" / f"{recipe}.yaml"), BENCH, usual(recipe, arguments)
    )
    return [step for step in sheet.steps if isinstance(step, CaptureStep)]


def captured(bench: VirtualBench, step: CaptureStep) -> Sweep:
    """One sweep as the runner takes it, with the look after RF off."""
    rig = bench.rig
    rig.rf_off()
    rig.switch(step.switching)
    both = SweepInstruments(analyzer=rig.drivers["analyzer"], source=rig.drivers["generator"])
    look: Any = partial(silent_after, step.sweep, both, lowest_dbm=-60.0)
    names = ["generator", "analyzer"]
    return rig.measure(run_sweep(step.sweep, both), names, lambda _: None, then=look)


@pytest.mark.parametrize("level", ["15 dBm", "-10 dBm", "-60 dBm"])
@pytest.mark.parametrize("recipe", ["open-short-baseline", "return-loss", "gain-pair-by-switch"])
def test_a_whole_path_raises_no_alarm_from_the_highest_level_to_the_noise(
    recipe: str, level: str
) -> None:
    bench, before = virtual(), None
    for step in steps(recipe, level=level, points="51"):
        sweep = captured(bench, step)
        assert broken_path(BENCH, step, sweep, before) is None
        assert sweep.flags == ()
        before = sweep


def test_a_baseline_that_reads_what_the_path_gives_is_whole_however_near_the_noise() -> None:
    """Some decibels above the noise all along, as the level budget has it: no alarm. The noise
    alone, ten below what the path gives: broken."""
    bench, step = virtual(), steps("open-short-baseline")[0]
    sweep = captured(bench, step)
    expected = typical_level_dbm(BENCH, step.route, step.sweep.level_dbm, sweep.frequency_hz)
    assert sweep.noise_dbm is not None
    wavy = np.random.default_rng(3).normal(0.0, 0.5, expected.size)
    low = replace(
        sweep,
        level_dbm=expected + wavy,
        noise_dbm=np.full(sweep.noise_dbm.size, float(np.median(expected)) - 2.5),
        again_dbm=None,
    )
    assert broken_path(BENCH, step, low) is None
    lost = replace(
        low,
        level_dbm=expected - 10.0 + wavy,
        noise_dbm=np.full(sweep.noise_dbm.size, float(np.median(expected)) - 10.0),
    )
    assert broken_path(BENCH, step, lost) is not None


@pytest.mark.parametrize("span", ["1 MHz", "20 MHz", "1200 MHz"])
def test_neither_a_narrow_nor_a_wide_sweep_raises_an_alarm(span: str) -> None:
    bench = virtual()
    for step in (*steps("open-short-baseline", span=span), *steps("return-loss", span=span)):
        assert broken_path(BENCH, step, captured(bench, step)) is None


@pytest.mark.parametrize(
    ("recipe", "cable"),
    [
        ("open-short-baseline", "sense_cable"),
        ("open-short-baseline", "source_cable"),
        ("return-loss", "sense_cable"),
        ("return-loss", "source_cable"),
        ("gain-pair-by-switch", "range_cable"),
        ("gain-pair-by-switch", "far_cable"),
    ],
)
def test_a_cable_pulled_off_is_a_broken_path_in_which_it_is_named(recipe: str, cable: str) -> None:
    bench = virtual()
    step = steps(recipe, points="51")[0]
    bench.world.pull(cable)
    broken = broken_path(BENCH, step, captured(bench, step))
    assert broken is not None
    assert cable in broken.advice
    assert "where the path itself gives" in broken.message


def a_sweep(bench: VirtualBench) -> tuple[CaptureStep, Sweep]:
    step = steps("return-loss", points="101")[0]
    return step, captured(bench, step)


def test_a_level_above_what_the_source_can_bring_is_a_broken_path() -> None:
    step, sweep = a_sweep(virtual())
    high = broken_path(BENCH, step, replace(sweep, level_dbm=sweep.level_dbm + 40.0))
    assert high is not None
    assert "where the source can bring -26.6 dBm at most" in high.message


def test_the_trace_of_the_sweep_before_is_no_measurement() -> None:
    bench = virtual()
    step, sweep = a_sweep(bench)
    assert broken_path(BENCH, step, sweep, captured(bench, step)) is None
    again = broken_path(BENCH, step, sweep, sweep)
    assert again is not None
    assert "the trace is the one before to the last digit" in again.message


@pytest.mark.parametrize("first", [0, 40, 80])
def test_an_analyzer_that_stands_still_from_some_point_on_is_noticed(first: int) -> None:
    step, sweep = a_sweep(virtual())
    level = sweep.level_dbm.copy()
    level[first:] = level[first]
    still = broken_path(BENCH, step, replace(sweep, level_dbm=level))
    assert still is not None
    assert f"{101 - first} readings one after the other" in still.message


def test_an_analyzer_that_shows_one_number_with_rf_on_and_off_is_noticed() -> None:
    step, sweep = a_sweep(virtual())
    assert sweep.noise_dbm is not None
    stuck = replace(
        sweep, level_dbm=np.full(101, -31.25), noise_dbm=np.full(sweep.noise_dbm.size, -31.25)
    )
    found = broken_path(BENCH, step, stuck)
    assert found is not None
    assert "all 101 readings and those with RF off are -31.25 dBm" in found.message


def test_a_reading_that_does_not_change_when_rf_goes_off_is_noticed() -> None:
    step, sweep = a_sweep(virtual())
    highest = float(np.max(sweep.level_dbm))
    found = broken_path(BENCH, step, replace(sweep, off_dbm=(highest,) * 5))
    assert found is not None
    assert "the analyzer repeats itself, or the source radiates all the same" in found.message
    assert "Look whether RF of generator is off" in found.advice


def test_a_switch_that_loses_the_port_in_the_middle_is_noticed() -> None:
    step, sweep = a_sweep(virtual())
    level = sweep.level_dbm.copy()
    level[30:60] = -108.0 + np.random.default_rng(3).normal(0.0, 1.0, 30)
    found = broken_path(BENCH, step, replace(sweep, level_dbm=level))
    assert found is not None
    assert "from 1600 to 1745 MHz" in found.message


@pytest.mark.parametrize("left", [1, 3, 60])
@pytest.mark.parametrize("depth_db", [15.0, 45.0, 90.0])
def test_a_path_that_breaks_before_the_end_is_noticed_however_late_and_deep(
    left: int, depth_db: float
) -> None:
    """Three points before the end, too: the highest point is read again."""
    step, sweep = a_sweep(virtual())
    level = sweep.level_dbm.copy()
    level[-left:] -= depth_db
    assert sweep.again_dbm is not None
    found = broken_path(
        BENCH, step, replace(sweep, level_dbm=level, again_dbm=float(np.max(level)) - depth_db)
    )
    assert found is not None
    assert "MHz it read" in found.message


def test_a_transmitter_that_falls_silent_is_no_broken_range() -> None:
    bench = virtual()
    step = steps("gain-pair-by-switch", points="51")[1]
    sweep = captured(bench, step)
    noise = np.full(51, -107.0) + np.random.default_rng(5).normal(0.0, 1.0, 51)
    noise[20] = -60.0
    shielded = replace(sweep, level_dbm=noise, again_dbm=-107.5)
    assert broken_path(BENCH, step, shielded) is None


def test_listening_is_held_against_no_path() -> None:
    step, sweep = a_sweep(virtual())
    quiet = step.model_copy(update={"sweep": step.sweep.model_copy(update={"rf": "off"})})
    silent = replace(sweep, level_dbm=np.full(101, -108.0), noise_dbm=None, noise_hz=None)
    assert broken_path(BENCH, quiet, silent) is None
