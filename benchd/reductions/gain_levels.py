"""Levels of a gain's captures: whether they were taken the same way, with noise removed, and
corrected for phase centres."""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from benchd.bench import Bench
from benchd.known.antenna_match import AntennaMatch
from benchd.known.carrier_levels import carrier_dbm, noise_flags
from benchd.reduce.budget_inputs import GainKnowledge
from benchd.reduce.compatibility import description, require_fit
from benchd.reduce.farfield import phase_centre_correction_db
from benchd.reduce.normalise import onto_grid
from benchd.reductions.gain_settings import GainReduction
from benchd.traces import Capture, FloatArray


def require_same(step: str, settings: GainReduction, captures: list[Capture]) -> None:
    """Raise NormalisationRefused, with the step's label, if any capture was taken in another way
    than the first."""
    for other in captures[1:]:
        require_fit(
            description(other),
            description(captures[0]),
            max_age_s=None,
            other_grid=settings.interpolate,
            where=step,
        )


def level_on(capture: Capture, grid: FloatArray) -> FloatArray:
    """The carrier's level with noise bias removed, interpolated on a grid; dBm."""
    return onto_grid(capture.level.frequency_hz, carrier_dbm(capture), grid)


def mean_level(captures: list[Capture], grid: FloatArray) -> FloatArray:
    """Mean of the captures' levels, taken in dB; dBm."""
    return np.asarray(np.mean([level_on(c, grid) for c in captures], axis=0), dtype=float)


def phase_centre_m(bench: Bench, name: str) -> float:
    """How far the phase centre lies ahead of the antenna's mark, m; 0 if the bench file does not
    state it."""
    return bench.antennas[name].phase_centre_m or 0.0


def nearer_db(bench: Bench, *names: str) -> float:
    """Correction to add to a level, dB, for phase centres that lie ahead of the antennas' marks.

    It is negative: the antennas are nearer to each other than the stated range, so the level is
    higher than it would be over that range.
    """
    ahead_m = sum(phase_centre_m(bench, name) for name in names)
    box = bench.box
    if ahead_m == 0.0 or box is None or box.range_length_m is None:
        return 0.0
    return phase_centre_correction_db(box.range_length_m, ahead_m)


def with_spreads(
    known: GainKnowledge, test: AntennaMatch, other: AntennaMatch, at_hz: float
) -> GainKnowledge:
    """The inputs of the budget, with the uncertainty of both antennas' reflections filled in."""
    of_test, of_other = test.spread_at(at_hz), other.spread_at(at_hz)
    if of_test is not None:
        known = replace(known, reflection_sd=of_test)
    return known if of_other is None else replace(known, reference_reflection_sd=of_other)


def near_noise(captures: list[Capture], at_hz: float) -> tuple[str, ...]:
    """Flags of captures whose level is little above the noise at a frequency."""
    return tuple(dict.fromkeys(f for one in captures for f in noise_flags(one, at_hz)))
