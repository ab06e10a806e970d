"""One bench measured from recipe to results, each stated interval held against the truth."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from functools import cache
from pathlib import Path
from typing import Any

import numpy as np
from scipy.interpolate import CubicSpline
from scipy.optimize import brentq

from benchd.bench import Bench
from benchd.files.fields import Band
from benchd.recipe import load_recipe, resolve
from benchd.results import Result
from benchd.worksheet import ReduceStep, Worksheet
from simulators.instruments.all_instruments import Workbench
from simulators.world.antennas import solved
from simulators.world.wiring import coarse_grid, in_box_reflection
from tests.coverage_study.draw import DESIGN_HZ, SWEEP_HZ, Drawn, drawn
from tests.coverage_study.memory import VirtualBench
from tests.coverage_study.owner import GAIN_BAND_HZ, bench_of

RECIPES = Path(__file__).resolve().parents[2] / "recipes"
POINTS = 101
REFLECTION_AT_HZ = [1.55e9, 1.6e9, 1.65e9, 1.7e9, 1.75e9, 1.8e9, 1.85e9]
WORST_OVER_HZ = (1.65e9, 1.75e9)
GAIN_AT_HZ = [1.65e9, 1.7e9, 1.75e9]
NEAR_DIRECTIVITY_DB = 6.0
OUT_OF_BAND_DB = 3.0
ONE_END = "one end only"
"""Region of results that state a least or a most alone."""


@dataclass(frozen=True)
class Line:
    """One stated interval and the truth it should hold.

    error: (value - truth) over the half-width; None where the interval is open on one side.
    """

    seed: int
    quantity: str
    region: str
    held: bool
    value: float
    low: float | None
    high: float | None
    truth: float
    flags: tuple[str, ...]
    at_hz: float | None = None

    @property
    def error(self) -> float | None:
        """How far off, in half-widths of the interval."""
        if self.low is None or self.high is None:
            return None
        return 2.0 * (self.value - self.truth) / (self.high - self.low)


@cache
def _recipe(name: str) -> Any:
    return load_recipe(RECIPES / f"{name}.yaml")


def worksheet_of(
    name: str,
    bench: Bench,
    at_hz: list[float],
    band_hz: tuple[float, float] | None = None,
    **arguments: str,
) -> Worksheet:
    """A shipped recipe resolved, reporting at more frequencies than it does by itself, and the
    worst over a band where one is given."""
    sheet = resolve(_recipe(name), bench, arguments)
    wanted: dict[str, Any] = {"at_hz": at_hz}
    if band_hz is not None:
        wanted["band_hz"] = Band(least=band_hz[0], most=band_hz[1])
    steps = tuple(
        step.model_copy(update={"settings": step.settings.model_copy(update=wanted)})
        if isinstance(step, ReduceStep)
        else step
        for step in sheet.steps
    )
    return sheet.model_copy(update={"steps": steps})


def stand_in(workbench: Workbench, ask: str) -> None:
    """A person who reads the request and does it."""
    items = ("open", "short", "reference dipole", "antenna")
    words = ask.replace("the antenna to", "the ANTENNA to")
    on_range = "mount" in ask
    if "reference dipole to" in ask:
        item = "reference dipole"
    elif "ANTENNA" in words:
        item = "antenna"
    else:
        item = next(one for one in items if f"Fit the {one} " in ask)
    workbench.move(lambda: workbench.world.connect("range" if on_range else "middle"))
    position = "mount_a" if on_range else "middle"
    workbench.move(lambda: workbench.world.place(position, item))


def measured(one: Drawn, bench: Bench, best_hz: float) -> tuple[list[Result], list[Result]]:
    """Results of the reflection and of the gain recipe; a return loss at `best_hz`, too."""
    virtual = VirtualBench(one.world, bench, stand_in)
    level = f"{one.level_dbm} dBm"
    sweep = {"centre": "1.7 GHz", "span": "500 MHz", "points": str(POINTS), "level": level}
    virtual.wait(600.0)
    if one.switched:
        virtual.run(worksheet_of("open-short-baseline", bench, [], **sweep))
        virtual.wait(one.pause_s)
        name = "return-loss"
    else:
        name = "return-loss-by-hand"
    at_hz = sorted({*REFLECTION_AT_HZ, best_hz})
    sheet = worksheet_of(name, bench, at_hz, WORST_OVER_HZ, antenna="antenna", **sweep)
    reflection = virtual.run(sheet)
    virtual.wait(one.pause_s)
    band = {
        "start": f"{GAIN_BAND_HZ[0] / 1e9} GHz",
        "stop": f"{GAIN_BAND_HZ[1] / 1e9} GHz",
        "points": "11",
        "level": level,
    }
    if not one.switched:
        band["position"] = "none"
    name = "gain-pair-by-switch" if one.switched else "gain-pair-by-swap"
    return reflection, virtual.run(worksheet_of(name, bench, GAIN_AT_HZ, antenna="antenna", **band))


def best_hz(truth: dict[str, Any]) -> float:
    """The point of the sweep nearest to the antenna's best match, so that deep ones are met."""
    step_hz = (SWEEP_HZ[1] - SWEEP_HZ[0]) / (POINTS - 1)
    return round(float(np.clip(truth["in_box"]["resonance_hz"], 1.5e9, 1.9e9)) / step_hz) * step_hz


def lines_of(seed: int) -> list[Line]:
    """Every stated interval of one bench."""
    one = drawn(seed)
    bench = bench_of(one)
    truth = one.world.truth()["antennas"]["antenna"]
    reflection, gain = measured(one, bench, best_hz(truth))
    found = list(reflection_lines(one, bench, truth, reflection))
    return found + list(_gain_lines(one, truth, gain))


def _held(result: Result, truth: float) -> bool:
    low, high = result.low, result.high
    return (low is None or low <= truth) and (high is None or truth <= high)


def _line(seed: int, quantity: str, region: str, result: Result, truth: float) -> Line:
    return Line(
        seed,
        quantity,
        region,
        _held(result, truth),
        result.value,
        result.low,
        result.high,
        truth,
        result.flags,
        result.frequency_hz,
    )


def reflection_lines(
    one: Drawn, bench: Bench, truth: dict[str, Any], results: list[Result]
) -> Iterator[Line]:
    boxed = truth["in_box"]
    grid_hz = np.array(truth["frequency_hz"])
    directivity = bench.fixtures["coupler"].directivity_db  # type: ignore[union-attr]
    for result in results:
        quantity, at_hz = result.quantity, result.frequency_hz
        if quantity in ("return_loss", "vswr") and at_hz is not None:
            true_db = float(np.interp(at_hz, grid_hz, boxed["return_loss_db"]))
            gamma = 10.0 ** (-true_db / 20.0)
            true = true_db if quantity == "return_loss" else (1.0 + gamma) / (1.0 - gamma)
            region = _region(result, directivity.at(at_hz))
            yield _line(one.seed, quantity, region, result, true)
        elif quantity in WORST:
            inside = (grid_hz >= WORST_OVER_HZ[0]) & (grid_hz <= WORST_OVER_HZ[1])
            worst_db = float(np.array(boxed["return_loss_db"])[inside].min())
            yield worst_line(one.seed, result, worst_db, "")
        elif result.low is None and result.high is None:
            continue
        elif quantity == "resonance_frequency":
            least_db = directivity.at(boxed["resonance_hz"]) - NEAR_DIRECTIVITY_DB
            deep = boxed["deepest_return_loss_db"] > least_db
            region = "near directivity" if deep else "mid"
            yield _line(one.seed, quantity, region, result, boxed["resonance_hz"])
        elif quantity.startswith("bandwidth"):
            true = _band_truth(boxed, quantity)
            if true is not None:
                region = "near noise" if "near-noise" in result.flags else "mid"
                yield _line(one.seed, quantity, region, result, true)
        elif quantity == "trim_per_arm":
            yield _line(one.seed, quantity, "all", result, true_trim_m(one))


WORST = ("worst_return_loss", "worst_vswr")


def worst_line(seed: int, result: Result, true_db: float, make: str) -> Line:
    """The worst match over a band against the true one. make: whose bench, before the region."""
    gamma = 10.0 ** (-true_db / 20.0)
    true = true_db if result.unit == "dB" else (1.0 + gamma) / (1.0 - gamma)
    region = "near noise" if "near-noise" in result.flags else "mid"
    if result.low is None or result.high is None:
        region = ONE_END
    elif make:
        region = f"{make}, {region}"
    return _line(seed, result.quantity, region, result, true)


def _region(result: Result, directivity_db: float) -> str:
    if result.low is None or result.high is None:
        return ONE_END
    if "near-noise" in result.flags:
        return "near noise"
    return "near directivity" if reads_near(result, directivity_db) else "mid"


def reads_near(result: Result, directivity_db: float) -> bool:
    """Whether a return loss or VSWR was read near a directivity, or beyond.

    By what was read, as its owner would: by the truth, one would pick the very cases in which the
    leak has hidden a deep one.
    """
    read_db = result.value
    if result.quantity == "vswr":
        read_db = -20.0 * np.log10(max((result.value - 1.0) / (result.value + 1.0), 1e-9))
    return bool(read_db > directivity_db - NEAR_DIRECTIVITY_DB)


def _band_truth(boxed: dict[str, Any], quantity: str) -> float | None:
    low, high = boxed["band_low_hz"], boxed["band_high_hz"]
    if low is None or high is None:
        return None
    if quantity == "bandwidth":
        return high - low
    return low if quantity.endswith("low_edge") else high


def true_trim_m(one: Drawn) -> float:
    """What must come off each arm for a resonance in the box at the design frequency, m.

    By solving the antenna anew at other lengths, not by the rule that lengths go as 1/f.
    """
    world = one.world
    model = world.model.antenna("antenna")
    grid = tuple(coarse_grid(world.model).tolist())
    fine = np.linspace(0.9 * DESIGN_HZ, 1.1 * DESIGN_HZ, 8001)

    def off_hz(removed_m: float) -> float:
        driven = model.elements[0]
        shorter = driven.model_copy(update={"length_m": driven.length_m - 2.0 * removed_m})
        trimmed = model.model_copy(update={"elements": (shorter, *model.elements[1:])})
        curve = in_box_reflection(world.model, solved(trimmed, grid), False)
        found = CubicSpline(np.array(grid), curve)(fine)
        return float(fine[np.argmin(np.abs(found))] - DESIGN_HZ)

    return float(brentq(off_hz, -0.012, 0.012, xtol=5e-6))


def _gain_lines(one: Drawn, truth: dict[str, Any], results: list[Result]) -> Iterator[Line]:
    for result in results:
        if result.quantity == "realised_gain" and result.frequency_hz is not None:
            true = float(
                np.interp(result.frequency_hz, truth["frequency_hz"], truth["realised_gain_dbi"])
            )
            best = max(truth["realised_gain_dbi"])
            region = "low level" if one.level_dbm < -40.0 else "mid"
            if true < best - OUT_OF_BAND_DB:
                region = "out of the antenna's band"
            yield _line(one.seed, "realised_gain", region, result, true)
