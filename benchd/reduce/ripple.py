"""The level of the walls' reflections, from the ripple of a level when an antenna is moved.

As an antenna moves along the range, the direct wave and that of a wall add up and cancel in turn.
From the peak-to-peak ripple S (dB) and the antenna's pattern level a towards the wall (dB relative
to the beam, negative) follows the reflected level

    R = a + 20 lg[(10^(S/20) - 1)/(10^(S/20) + 1)]

below the beam (free-space VSWR method; checked against Kraus, Antennas, example 21-4.2).
"""

from __future__ import annotations

import math

import numpy as np

from benchd.errors import ReductionRefused
from benchd.reduce.decibels import NEPER_DB, ratio_from_db, wavelength_m
from benchd.traces import FloatArray

LEAST_TRAVEL_WAVELENGTHS = 0.5
"""One full beat of a head-on reflection; shorter travel may miss a peak or a dip."""


def reflected_level_db(peak_to_peak_db: float, pattern_db: float = 0.0) -> float:
    """Reflected level below the beam, dB (negative); -inf for no ripple.

    Holds while the reflection is the weaker of the two rays.
    """
    swing = ratio_from_db(peak_to_peak_db)
    if swing <= 1.0:
        return -math.inf
    return pattern_db + 20.0 * math.log10((swing - 1.0) / (swing + 1.0))


def peak_to_peak_db(reflected_db: float, pattern_db: float = 0.0) -> float:
    """Ripple that a reflected level makes, dB: the inverse of `reflected_level_db`.

    Raises ValueError where the reflection is as strong as the direct ray.
    """
    share = ratio_from_db(reflected_db - pattern_db)
    if share >= 1.0:
        raise ValueError(f"a reflection {reflected_db - pattern_db} dB above the direct ray")
    return NEPER_DB * (math.log1p(share) - math.log1p(-share))


def gain_sd_db(reflected_db: float) -> float:
    """Standard uncertainty of a level beside a reflection of unknown phase, dB (u-shaped)."""
    return NEPER_DB * ratio_from_db(reflected_db) / math.sqrt(2.0)


def ripple_db(levels_db: FloatArray) -> FloatArray:
    """Peak-to-peak over places, shape (places, n) -> (n,), a straight trend removed.

    The trend is the direct ray's own change with distance. Raises ReductionRefused for fewer
    than 5 places.
    """
    places = levels_db.shape[0]
    if places < 5:
        raise ReductionRefused(
            f"{places} places cannot show a ripple, at least 5 are needed",
            advice="Take 8 or more places over at least half a wavelength.",
        )
    along = np.linspace(-1.0, 1.0, places)
    design = np.stack([np.ones(places), along], axis=1)
    trend = design @ np.linalg.lstsq(design, levels_db, rcond=None)[0]
    ripple: FloatArray = np.ptp(levels_db - trend, axis=0)
    return ripple


def travel_is_enough(travel_m: float, frequency_hz: float) -> bool:
    """True where the antenna moved over at least half a wavelength."""
    return travel_m >= LEAST_TRAVEL_WAVELENGTHS * wavelength_m(frequency_hz)
