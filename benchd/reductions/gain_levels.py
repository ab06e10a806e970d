"""Levels of the captures of a gain: taken alike, noise removed, phase centres counted."""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from benchd.bench import Bench
from benchd.known.antenna_match import AntennaMatch
from benchd.known.readings import carrier_dbm, noise_flags
from benchd.reduce.compatibility import description, require_fit
from benchd.reduce.farfield import phase_centre_correction_db
from benchd.reduce.knowledge import GainKnowledge
from benchd.reduce.normalise import onto_grid
from benchd.reductions.gain_settings import GainReduction
from benchd.traces import Capture, FloatArray


def require_same(step: str, settings: GainReduction, captures: list[Capture]) -> None:
    """All captures taken as the first was. Raises NormalisationRefused, with the step's label."""
    for other in captures[1:]:
        require_fit(
            description(other),
            description(captures[0]),
            max_age_s=None,
            other_grid=settings.interpolate,
            where=step,
        )


def level_on(capture: Capture, grid: FloatArray) -> FloatArray:
    """The carrier's level, noise bias removed, on a grid; dBm."""
    return onto_grid(capture.level.frequency_hz, carrier_dbm(capture), grid)


def mean_level(captures: list[Capture], grid: FloatArray) -> FloatArray:
    """Mean in dB of the levels."""
    return np.asarray(np.mean([level_on(c, grid) for c in captures], axis=0), dtype=float)


def phase_centre_m(bench: Bench, name: str) -> float:
    """How far ahead of its mark the antenna radiates; 0 where the bench file does not say."""
    return bench.antennas[name].phase_centre_m or 0.0


def nearer_db(bench: Bench, *names: str) -> float:
    """What to add to a level for phase centres ahead of their marks: negative, as the antennas
    are nearer to each other than the range says."""
    ahead_m = sum(phase_centre_m(bench, name) for name in names)
    box = bench.box
    if ahead_m == 0.0 or box is None or box.range_length_m is None:
        return 0.0
    return phase_centre_correction_db(box.range_length_m, ahead_m)


def with_spreads(
    known: GainKnowledge, test: AntennaMatch, other: AntennaMatch, at_hz: float
) -> GainKnowledge:
    """What is known of both reflections, put into the knowledge."""
    of_test, of_other = test.spread_at(at_hz), other.spread_at(at_hz)
    if of_test is not None:
        known = replace(known, reflection_sd=of_test)
    return known if of_other is None else replace(known, reference_reflection_sd=of_other)


def near_noise(captures: list[Capture], at_hz: float) -> tuple[str, ...]:
    """Flags of captures that stand little above the noise at a frequency."""
    return tuple(dict.fromkeys(f for one in captures for f in noise_flags(one, at_hz)))
