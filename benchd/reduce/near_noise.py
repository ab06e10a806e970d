"""Levels so near the noise that their scatter in dB is uneven, and how they are made even.

There the power of a reading scatters evenly about the true value, but its level in dB does not. A
reading of half the true power is 3 dB low, and one of one and a half times it only 1.8 dB high; one
below the noise has no level at all. Means of such levels are too low, and a single low reading
outweighs the rest. So each level is replaced by a linear form: the level of the mean power of its
neighbourhood, plus the reading's distance from that mean along the tangent of the logarithm (the
working response of a generalised linear model; P. McCullagh and J. A. Nelder, Generalized Linear
Models, section 2.5, from memory):

    level = 10 lg c + 4.343 (p - c) / c

with p the reading's power less the noise's, and c the mean of p in the neighbourhood. The scatter
of such levels is even to both sides, and so may be an interval in dB.
"""

from __future__ import annotations

import math

import numpy as np

from benchd.reduce.decibels import power_ratio_from_db
from benchd.reduce.noise import (
    DB_PER_NAT,
    carrier_level_dbm,
    reading_standard_db,
)
from benchd.reduce.uneven import UNEVEN, is_even
from benchd.sweeps import POWER
from benchd.traces import FloatArray

BESIDE = 2
"""Number of readings to either side in a neighbourhood. A gain hardly changes over so few."""
BENT_FROM_DB = 0.65
"""Readings whose standard deviation exceeds this, dB, get the linear form. It is 15 % of the power,
at which the curvature of the logarithm makes 0.05 dB."""
LEAST_CARRIER_DB = -10.0
"""Smallest level of a neighbourhood's carrier relative to the noise, dB, that is used."""


def straightened_dbm(
    level_dbm: FloatArray,
    noise_dbm: float,
    detector: str,
    samples: float,
    index: int,
    frequency_hz: FloatArray | None = None,
) -> float | None:
    """Level of the carrier of one reading in the linear form; None if its noise is small enough.

    level_dbm: readings of the trace, shape (n,). samples: independent samples in each reading.
    frequency_hz: where they lie, if that may be unevenly.
    """
    beside = slice(max(0, index - BESIDE), index + BESIDE + 1)
    around = level_dbm[beside]
    if frequency_hz is not None and not is_even(frequency_hz):
        away_hz = np.abs(frequency_hz[beside] - frequency_hz[index])
        nearest_hz = float(np.min(away_hz[away_hz > 0.0]))
        around = around[away_hz <= BESIDE * nearest_hz * (1.0 + UNEVEN)]
    logs = detector not in ("rms", POWER)
    mean_dbm = float(np.mean(around))
    if not logs:
        mean_dbm = 10.0 * math.log10(float(np.mean(power_ratio_from_db(around))))
    carrier_dbm = max(
        carrier_level_dbm(mean_dbm, noise_dbm, detector), noise_dbm + LEAST_CARRIER_DB
    )
    distance_db = carrier_dbm - noise_dbm
    if reading_standard_db(distance_db, detector, samples) < BENT_FROM_DB:
        return None
    if logs:
        # If the carrier changes, a mean of logarithms changes by 1 - exp(-gamma) times as much.
        rise = -math.expm1(-power_ratio_from_db(distance_db))
        return carrier_dbm + (float(level_dbm[index]) - mean_dbm) / rise
    # A power meter's noise lies around zero and adds nothing to the mean.
    mean_noise = 0.0 if detector == POWER else 1.0
    over_noise = 10.0 ** ((level_dbm[index] - noise_dbm) / 10.0)
    ratio = (over_noise - mean_noise) / 10.0 ** (distance_db / 10.0)
    return carrier_dbm + DB_PER_NAT * (float(ratio) - 1.0)
