"""The stepped sweep that reads only those frequencies of its grid that are needed.

It is a stepped sweep in everything else: RF is on from its first reading to its last, and every
way in which a sweep can be broken off, checked and switched off is the same. Which frequency is
next is decided by `benchd.reduce.next_points`, between readings and without asking anybody.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass

import numpy as np

from benchd.acquire.plan import Procedure, Sweep, SweepInstruments, grid_hz
from benchd.acquire.stepped import ended, made_ready, read_points
from benchd.errors import InstrumentRefused
from benchd.reduce.decibels import db_from_power_ratio, power_ratio_from_db
from benchd.reduce.next_points import Bounds, Chosen, first_points, next_points
from benchd.reduce.noise import DETECTORS, reading_standard_db
from benchd.reduce.point_gains import Aims
from benchd.sweeps import POWER, SweepPlan
from benchd.traces import FloatArray

ENDED_EARLY = "refined-in-part"
"""Flag: a bound ended the sweep before resonance and edges were as sure as was asked for."""

HALF_WIDTH = "refined_to_hz"
"""Reading of a capture: what half-width the sweep has reached, Hz."""

LEAST_SD_DB = 0.005
"""Least standard deviation of a reading, dB: analyzers show hundredths."""

LEAST_OVER_NOISE_DB = -10.0
"""Distance from the noise, dB, below which a reading's scatter is not worked out any further."""


@dataclass(frozen=True, eq=False)
class Refining:
    """What a refining sweep must know besides its plan.

    full_hz, full_dbm: level of a full reflection by the baseline, Hz and dBm, shape (n,).
    edge_levels_db: return losses at which the edges of bands are wanted. near_hz: the wanted dip is
        the one nearest to it; None wants the deepest.
    always_hz: frequencies at which values will be asked for. point_s: expected time of a reading.
    clock: seconds from any zero that never go back.
    """

    full_hz: FloatArray
    full_dbm: FloatArray
    edge_levels_db: tuple[float, ...]
    near_hz: float | None
    always_hz: tuple[float, ...]
    point_s: float
    clock: Callable[[], float]


def refining_sweep(
    plan: SweepPlan, instruments: SweepInstruments, refining: Refining | None
) -> Procedure[Sweep]:
    """Read the first frequencies, then round by round what is next, until it is done.

    The capture says with the flag `refined-in-part` that a bound ended it, and with the reading
    `refined_to_hz` how sure it became. Raises InstrumentRefused where there is no baseline.
    """
    wanted = plan.refine_to
    assert wanted is not None, "the choice of the procedure guarantees it"
    if refining is None:
        raise InstrumentRefused(
            "a sweep that refines compares with a baseline, and there is none",
            advice="Take the open and short baseline first, or leave `refine` out.",
        )
    source, analyzer = instruments.source, instruments.analyzer
    assert source is not None, "a stepped sweep needs a source; the worksheet guarantees one"
    grid, total = grid_hz(plan), wanted.at_most_points
    noise_hz, noise_dbm, flags = yield from made_ready(grid, plan, instruments)
    yield source.rf_on()
    full_dbm = np.interp(grid, refining.full_hz, refining.full_dbm)
    level, scatter, sd = (np.zeros(grid.size) for _ in range(3))
    taken = np.zeros(grid.size, dtype=bool)
    bounds = Bounds(wanted.to_hz, wanted.at_most_points, wanted.at_most_s)
    aims = Aims(refining.edge_levels_db, refining.near_hz)
    cost_s = np.full(grid.size, refining.point_s)
    began_s = refining.clock()
    chosen = Chosen(tuple(first_points(grid, wanted.reach_hz, refining.always_hz)))
    while chosen.at:
        batch = np.array(chosen.at)
        done = int(np.count_nonzero(taken))
        read = yield from read_points(
            grid[batch], plan, source, analyzer, done, max(total, done + batch.size)
        )
        level[batch], scatter[batch] = read
        sd[batch] = noise_of(level[batch], noise_dbm, plan)
        taken[batch] = True
        chosen = next_points(
            grid,
            taken,
            level - full_dbm,
            sd,
            cost_s,
            aims,
            bounds,
            refining.clock() - began_s,
        )
    sweep = Sweep(
        frequency_hz=grid[taken],
        level_dbm=level[taken],
        scatter_db=scatter[taken] if plan.average > 1 else None,
        noise_hz=noise_hz,
        noise_dbm=noise_dbm,
        flags=(*flags, *((ENDED_EARLY,) if chosen.is_bounded else ())),
        readings={} if chosen.half_width_hz is None else {HALF_WIDTH: chosen.half_width_hz},
        remarks=(f"it refined in part: {chosen.because}",) if chosen.is_bounded else (),
    )
    return (yield from ended(sweep, plan, instruments, int(np.count_nonzero(taken))))


def noise_of(level_dbm: FloatArray, noise_dbm: FloatArray, plan: SweepPlan) -> FloatArray:
    """Standard deviation of each level by the analyzer's noise, dB, shape (n,).

    A detector without a law of its own is taken for a sample detector, one sample a reading.
    """
    floor_dbm = float(db_from_power_ratio(float(np.mean(power_ratio_from_db(noise_dbm)))))
    has_law = plan.detector in DETECTORS or plan.detector == POWER
    law = plan.detector if has_law else "rms"
    one = plan.resolution_bandwidth_hz * plan.dwell_s if law in ("rms", "log-average") else 1.0
    samples = max(1.0, one if has_law and law != POWER else 1.0) * plan.average
    return np.array(
        [
            math.hypot(LEAST_SD_DB, reading_standard_db(over_db, law, samples))
            for over_db in np.maximum(level_dbm - floor_dbm, LEAST_OVER_NOISE_DB).tolist()
        ]
    )
