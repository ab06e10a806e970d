"""Gain averaged over positions: the only way to make a box's reflections average out.

Levels are averaged in dB: the mean of 20 lg|1 + p e^(j a)| over all phases a is exactly zero for
p < 1 (Jensen's formula), while powers would average to 1 + p^2.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from benchd.errors import ReductionRefused
from benchd.reduce.knowledge import Known
from benchd.reduce.ripple import travel_is_enough
from benchd.traces import FloatArray


@dataclass(frozen=True, slots=True)
class PositionMean:
    """mean_db over positions; sd_db of one position; box: what the mean is uncertain by.

    box goes into `GainKnowledge.box_sd_db`. flags: `short-travel` where positions cover less
    than half a wavelength: they then share one error, and nothing is divided.
    """

    mean_db: float
    sd_db: float
    positions: int
    box: Known
    flags: tuple[str, ...]


def position_mean(values_db: FloatArray, travel_m: float, frequency_hz: float) -> PositionMean:
    """Mean of a gain or level over positions, shape (positions,), spread over travel_m.

    Standard deviation of the mean by JCGM 100, 4.2.3. Raises ReductionRefused for fewer than 2.
    """
    count = values_db.size
    if count < 2:
        raise ReductionRefused(
            f"{count} position gives no spread, at least 2 are needed",
            advice="Move the antenna and measure again, 8 times over half a wavelength or more.",
        )
    sd_db = float(values_db.std(ddof=1))
    enough = travel_is_enough(travel_m, frequency_hz)
    box_db = sd_db / math.sqrt(count) if enough else sd_db
    box = Known(box_db, degrees_of_freedom=float(count - 1))
    return PositionMean(
        float(np.mean(values_db)), sd_db, count, box, () if enough else ("short-travel",)
    )
