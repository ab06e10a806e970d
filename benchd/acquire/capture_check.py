"""Checking every sweep for signs of a broken path, before its capture counts as good.

A switch without power, a loose cable, an analyzer whose display is frozen, or a source that
delivers something else give a trace that looks like a measurement. So the trace is compared with
what the bench file states of the path: the level budget, the coupler's leak, and the antennas of a
range. The margins are in `benchd.reduce.pathcheck`.
"""

from __future__ import annotations

import math

import numpy as np

from benchd.acquire.plan import Sweep
from benchd.bench import Bench, CouplerFixture, SourceInstrument
from benchd.bench.levels import typical_level_dbm
from benchd.errors import PathBroken
from benchd.reduce.decibels import free_space_path_loss_db
from benchd.reduce.noise import DB_PER_NAT
from benchd.reduce.pathcheck import (
    AT_NOISE_DB,
    BELOW_LEAK_DB,
    CLIFF_DB,
    LEAST_POINTS,
    RANGE_CLIFF_DB,
    Run,
    at_noise,
    below_leak,
    display_step_db,
    falls_to_noise,
    noise_over,
    repeats,
    runs,
    stands_still,
    too_high,
    too_low,
)
from benchd.traces import FloatArray
from benchd.worksheet import CaptureStep

BASELINE_MARGIN_DB = 12.0
"""How far open, short or thru may lie below the level that follows from the stated losses, dB. A
poor source match lowers the level by 2 dB in places; tables written by hand are wrong by some dB,
but not by this much."""

AS_EXPECTED_DB = 3.0
"""A baseline near the noise is accepted if it lies within this of the expected level, dB: the
source is then set very low, and the path is whole. Noise alone would lie there only by chance."""

RANGE_MARGIN_DB = 30.0
"""How far the level of a reference antenna of stated gain may lie below Friis' formula over a
quarter of its sweep, dB. Crossed polarisation costs 20 dB; a null caused by a wall is narrow."""

UNSTATED_GAIN_DBI = -10.0
"""Gain assumed for a range antenna whose gain is not stated: that of a short piece of wire."""

LOST_DB = 10.0
"""If one point falls by this much within a sweep, dB, something has broken. A person walking by or
a touched cable changes less: with an open lid people change a level by some 3 dB (`stillness`)."""

NEAR_DESIGN = 0.15
"""An antenna's stated gain is used within this distance of its design frequency, as a fraction."""


def broken_path(
    bench: Bench, step: CaptureStep, sweep: Sweep, before: Sweep | None = None
) -> PathBroken | None:
    """Why the path seems to be broken, judged by this sweep; None if it seems whole.

    before: the last sweep of the same analyzer, if any.
    """
    if step.sweep.rf == "off":
        return None
    said = _standing_still(step, sweep, before) or _impossible(bench, step, sweep)
    if said is None:
        return None
    what, advice = said
    return PathBroken(
        what,
        where=step.label,
        advice=f"{advice} The capture is kept with the flag path-broken, and is not used.",
    )


def switch_opened(step: CaptureStep, where: str, channels: list[int]) -> PathBroken:
    """The words for a switch that was not in the set position any more when the sweep ended."""
    return PathBroken(
        f"after the sweep the switch said that channels {channels} are open, which were closed "
        "before it",
        where=f"{step.label}, {where}",
        advice="Look at the power and the cable of the switch. The capture is kept with the flag "
        "path-broken, and is not used.",
    )


Said = tuple[str, str]


def _standing_still(step: CaptureStep, sweep: Sweep, before: Sweep | None) -> Said | None:
    """Why the analyzer seems to return the same readings again and again; None if it does not."""
    level = sweep.level_dbm
    advice = (
        f"Look at the analyzer {step.analyzer}: its screen may be frozen, or it sweeps no more. "
        "Switch it off and on."
    )
    noise = sweep.noise_dbm
    if noise is None or level.size < LEAST_POINTS:
        return None
    everything = np.concatenate((level, noise))
    if np.ptp(everything) < 1e-9:
        return (
            f"all {level.size} readings and those with RF off are {level[0]:.6g} dBm: the analyzer "
            "repeats itself",
            advice,
        )
    off, highest = np.array(sweep.off_dbm), float(np.max(level))
    clear = highest > float(np.median(noise)) + AT_NOISE_DB
    if clear and off.size >= LEAST_POINTS and bool(np.all(off == highest)):
        return (
            f"{off.size} readings with RF off are {highest:.6g} dBm to the last digit, as the "
            "highest with RF on: the analyzer repeats itself, or the source radiates all the same",
            f"Look whether RF of {step.source} is off. {advice}",
        )
    if np.unique(noise).size < 3 or step.sweep.method == "hold" or step.sweep.average > 1:
        # Either the noise readings show no scatter to compare with, or averaging hides the
        # resolution of the readings.
        return None
    step_db, sd_db = display_step_db(level), _least_spread_db(step, sweep)
    still = stands_still(level, step_db, sd_db)
    if still is not None:
        return (
            f"{still.points} readings one after the other, {_band(sweep, still)}, are all "
            f"{level[still.first]:.6g} dBm to the last digit: the analyzer repeats itself",
            advice,
        )
    earlier = [] if before is None else [before.level_dbm]
    if step.sweep.method == "tracking":
        earlier.append(noise)
    if any(repeats(level, one, step_db, sd_db) for one in earlier):
        return "the trace is the one before to the last digit: the analyzer repeats itself", advice
    return None


def _least_spread_db(step: CaptureStep, sweep: Sweep) -> FloatArray:
    """Half the standard deviation of each reading from noise alone, shape (n,), dB.

    Half of it, so as not to expect too much scatter. A mean of n powers of carrier and noise has
    the standard deviation 4.343 sqrt(1 + 2 g)/(1 + g)/sqrt(n) dB at the carrier to noise ratio g
    (`benchd.reduce.noise`).
    """
    assert sweep.noise_dbm is not None
    plan = step.sweep
    time_s = plan.dwell_s if plan.method == "stepped" else (plan.sweep_time_s or 1.0) / plan.points
    samples = max(1.0, plan.resolution_bandwidth_hz * time_s) * plan.average
    over_noise = 10.0 ** ((sweep.level_dbm - float(np.median(sweep.noise_dbm))) / 10.0)
    ratio = np.maximum(over_noise - 1.0, 0.0)
    if plan.detector == "power":
        # A power meter's noise does not depend on the level.
        own_db: FloatArray = 0.5 * DB_PER_NAT / np.maximum(over_noise, 1.0)
        return own_db / math.sqrt(plan.average)
    spread_db: FloatArray = 0.5 * DB_PER_NAT * np.sqrt(1.0 + 2.0 * ratio) / (1.0 + ratio)
    return spread_db / math.sqrt(samples)


def _impossible(bench: Bench, step: CaptureStep, sweep: Sweep) -> Said | None:
    seen = np.ones(sweep.level_dbm.shape, bool) if sweep.visited is None else sweep.visited
    if np.count_nonzero(seen) < min(LEAST_POINTS, seen.size):
        return None  # this case has a flag of its own
    grid, level = sweep.frequency_hz[seen], sweep.level_dbm[seen]
    only = Sweep(grid, level)
    expected = typical_level_dbm(bench, step.route, step.sweep.level_dbm, grid)
    parts = _parts(bench, step)
    most = step.levels[-1].level_dbm if step.levels else float("inf")
    high = too_high(level, most)
    if high is not None:
        return (
            f"read {_levels(only, high)}, {_band(only, high)}, where the source can bring "
            f"{most:.1f} dBm at most",
            f"Look at the level on the screen of {step.source}, and at the losses in the bench "
            "file.",
        )
    lost = _lost_on_the_way(bench, step, sweep)
    if lost:
        return lost, f"Something on the way came loose or lost its power. Look at {parts}."
    low = _too_low(bench, step, only, expected, sweep)
    if low is not None:
        run, bound = low
        return (
            f"read {_levels(only, run)}, {_band(only, run)}, where the path itself gives {bound}",
            f"Something on the way is open or has no power. Look at {parts}.",
        )
    return None


def _lost_on_the_way(bench: Bench, step: CaptureStep, sweep: Sweep) -> str:
    """Why the path seems to have broken during the sweep; None if it does not.

    The highest point is read again at the end, and must not be much lower then. Over a range this
    is judged only if most of the sweep is clear of the noise. Else the highest point may have been
    a transmitter outside.
    """
    if sweep.again_dbm is None or sweep.noise_dbm is None:
        return ""
    noise_dbm, highest = float(np.median(sweep.noise_dbm)), int(np.argmax(sweep.level_dbm))
    known = float(
        np.max(sweep.level_dbm)
        if bench.routes[step.route].kind == "reflection"
        else np.median(sweep.level_dbm)
    )
    fell_db = float(sweep.level_dbm[highest]) - sweep.again_dbm
    if known - noise_dbm < 2.0 * LOST_DB or fell_db < LOST_DB:
        return ""
    return (
        f"at {sweep.frequency_hz[highest] / 1e6:.6g} MHz it read {sweep.level_dbm[highest]:.1f} "
        f"dBm at first, and {sweep.again_dbm:.1f} dBm at the end of the sweep"
    )


def _too_low(
    bench: Bench, step: CaptureStep, only: Sweep, expected: FloatArray, sweep: Sweep
) -> tuple[Run, str] | None:
    grid, level = only.frequency_hz, only.level_dbm
    route = bench.routes[step.route]
    noise = None
    if sweep.noise_hz is not None and sweep.noise_dbm is not None:
        noise = noise_over(grid, sweep.noise_hz, sweep.noise_dbm)
    known = step.role in ("open", "short") if route.kind == "reflection" else step.role == "thru"
    if known:
        run = too_low(level, expected, BASELINE_MARGIN_DB)
        if run is not None:
            return run, f"about {_median(expected, run):.0f} dBm"
    if route.kind == "reflection":
        leak = _directivity_db(bench, route.out, grid)
        if leak is not None:
            run = below_leak(grid, expected - level, leak, wide=step.role != "load")
            if run is not None:
                least = _median(expected - leak, run) - BELOW_LEAK_DB
                return run, f"{least:.0f} dBm at least by the coupler's own leak"
    elif step.role == "reference":
        run = _reference_lost(bench, step, level, expected, grid)
        if run is not None:
            friis = _friis_dbm(bench, step, expected, grid)
            return run, f"about {_median(friis, run):.0f} dBm by the stated gains and distance"
    if noise is not None and step.sweep.method != "hold":
        reflects = route.kind == "reflection"
        run = falls_to_noise(level, noise, CLIFF_DB if reflects else RANGE_CLIFF_DB)
        if run is not None:
            return run, "a smooth curve: at one end it fell to the noise between two points"
        apart_db = float(np.nanmedian(expected - level))
        if known and np.all(at_noise(level, noise)) and apart_db > AS_EXPECTED_DB:
            return Run(0, level.size - 1), f"about {float(np.nanmedian(expected)):.0f} dBm"
    return None


def _directivity_db(bench: Bench, out: list[str], grid: FloatArray) -> FloatArray | None:
    for element in out:
        fixture = bench.fixtures.get(element.partition(".")[0])
        if isinstance(fixture, CouplerFixture):
            return fixture.directivity_db.over(grid)
    return None


def _friis_dbm(
    bench: Bench, step: CaptureStep, expected: FloatArray, grid: FloatArray
) -> FloatArray:
    """Level over the range by Friis' formula, dBm; NaN where a stated gain cannot be used."""
    box = bench.box
    assert box is not None
    distance_m = box.range_length_m or max(box.inside_m)
    loss_db = np.array([free_space_path_loss_db(one, distance_m) for one in grid])
    level = expected - loss_db
    for name in (bench.routes[step.route].range_antenna, step.antenna):
        antenna = bench.antennas.get(name or "")
        if antenna is None or antenna.reference is None:
            level = level + UNSTATED_GAIN_DBI
            continue
        level = level + antenna.reference.gain_dbi.over(grid)
        off = np.abs(grid / antenna.design_frequency_hz - 1.0)
        level = np.where(off <= NEAR_DESIGN, level, np.nan)
    return np.asarray(level)


def _reference_lost(
    bench: Bench, step: CaptureStep, level: FloatArray, expected: FloatArray, grid: FloatArray
) -> Run | None:
    """Why the path seems broken if a quarter of the sweep is far below the level that two antennas
    of stated gain give over the range; None otherwise."""
    if bench.box is None:
        return None
    short = np.nan_to_num(_friis_dbm(bench, step, expected, grid) - level, nan=-np.inf)
    least = max(min(LEAST_POINTS, grid.size), grid.size // 4)
    return next((run for run in runs(short > RANGE_MARGIN_DB) if run.points >= least), None)


def _median(values: FloatArray, run: Run) -> float:
    return float(np.nanmedian(values[run.first : run.last + 1]))


def _levels(sweep: Sweep, run: Run) -> str:
    part = sweep.level_dbm[run.first : run.last + 1]
    return f"{float(np.min(part)):.1f} to {float(np.max(part)):.1f} dBm"


def _band(sweep: Sweep, run: Run) -> str:
    ends = sweep.frequency_hz[run.first] / 1e6, sweep.frequency_hz[run.last] / 1e6
    return f"from {ends[0]:.6g} to {ends[1]:.6g} MHz"


def _parts(bench: Bench, step: CaptureStep) -> str:
    """The names of all parts that the signal passes, in order."""
    route = bench.routes[step.route]
    names = [element.partition(".")[0] for element in (*route.out, *route.back)]
    return ", ".join(dict.fromkeys((step.source, *names, step.analyzer)))


def lowest_level_dbm(bench: Bench, step: CaptureStep) -> float:
    """The lowest level of the instrument that a capture radiates with, dBm."""
    source = bench.source_of(bench.routes[step.route])
    band = source.level_dbm if isinstance(source, SourceInstrument) else source.tracking_level_dbm
    return step.sweep.level_dbm if band is None else band.least
