"""Carriers read so near the noise that a logarithm bends what the noise does.

There the power of a reading scatters evenly about the truth, but its level in dB does not: a
reading half as great as it should be lies 3 dB low, one half as great again 1.8 dB high, and one
that falls below the noise has no level at all. Means of such levels are too low, and one low
reading outweighs the rest. So each reading is told as its neighbourhood's mean and how far it lies
beside it, along the straight line that touches the logarithm there (the working response of a
generalised linear model; P. McCullagh and J. A. Nelder, Generalized Linear Models, section 2.5,
from memory):

    level = 10 lg c + 4.343 (p - c) / c

with p the reading's power less the noise's and c the mean of p around. What noise does to such
levels is even to both sides, so that an interval in dB may be, too.
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
from benchd.sweeps import POWER
from benchd.traces import FloatArray

BESIDE = 2
"""Readings to either side that make a neighbourhood: a gain hardly changes from one to the next."""
BENT_FROM_DB = 0.65
"""Standard deviation of a reading from which it is told so: 15 % of its power, of which the
logarithm bends 0.05 dB."""
LEAST_CARRIER_DB = -10.0
"""Against the noise: the least that a neighbourhood's carrier is taken for."""


def straightened_dbm(
    level_dbm: FloatArray, noise_dbm: float, detector: str, samples: float, index: int
) -> float | None:
    """Level of the carrier of one reading, or None where the logarithm may be taken as straight.

    level_dbm: readings of the trace, shape (n,). samples: independent ones behind each reading.
    """
    around = level_dbm[max(0, index - BESIDE) : index + BESIDE + 1]
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
        # A mean of logarithms rises by 1 - exp(-gamma) of what the carrier does.
        rise = -math.expm1(-power_ratio_from_db(distance_db))
        return carrier_dbm + (float(level_dbm[index]) - mean_dbm) / rise
    # A power meter's noise swings around nothing: none of it stands in the mean.
    mean_noise = 0.0 if detector == POWER else 1.0
    over_noise = 10.0 ** ((level_dbm[index] - noise_dbm) / 10.0)
    ratio = (over_noise - mean_noise) / 10.0 ** (distance_db / 10.0)
    return carrier_dbm + DB_PER_NAT * (float(ratio) - 1.0)
