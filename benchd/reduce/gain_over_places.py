"""Gain averaged over places in the box, which is the only way to average its reflections.

Levels are averaged in dB: the mean of 20 lg|1 + p e^(j a)| over all phases a is exactly zero for
p < 1 (Jensen's formula), while powers would average to 1 + p^2.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from benchd.errors import ReductionRefused
from benchd.reduce.budget_inputs import Known
from benchd.reduce.ripple import travel_is_enough
from benchd.traces import FloatArray


@dataclass(frozen=True, slots=True)
class PlaceMean:
    """mean_db over places; sd_db of one place; box: standard uncertainty of the mean.

    box goes into `GainKnowledge.box_sd_db`. flags: `short-travel` where places cover less
    than half a wavelength: they then share one error, and nothing is divided.
    groups: number of arrangements of the two antennas, such as two if the mounts were exchanged.
    """

    mean_db: float
    sd_db: float
    places: int
    box: Known
    flags: tuple[str, ...]
    groups: int = 1


def place_mean(
    values_db: FloatArray,
    travel_m: float,
    frequency_hz: float,
    arrangements: Sequence[str] = (),
) -> PlaceMean:
    """Mean of a gain or level over places, shape (places,), spread over travel_m.

    arrangements: one word for each place, the same where both antennas stood on the same
        mounts. What two mounts differ by has one sign in one arrangement and the other in the
        other, and cancels in the mean of the arrangements' means: it is no part of that mean's
        uncertainty, only of that of a gain at one place (sd_db). Without them, or with an
        arrangement of one place alone, all places count as one arrangement.

    Standard deviation of the mean by JCGM 100, 4.2.3, pooled over arrangements (H.5.2.2).
    Raises ReductionRefused for fewer than 2.
    """
    count = values_db.size
    if count < 2:
        raise ReductionRefused(
            f"{count} place gives no spread, at least 2 are needed",
            advice="Move the antenna and measure again, 8 times over half a wavelength or more.",
        )
    sd_db = float(values_db.std(ddof=1))
    words = np.array(arrangements if len(arrangements) == count else [""] * count)
    groups = [values_db[words == word] for word in dict.fromkeys(words.tolist())]
    if min(group.size for group in groups) < 2:
        groups = [values_db]
    freedom = float(count - len(groups))
    within_db = math.sqrt(sum(float(((g - g.mean()) ** 2).sum()) for g in groups) / freedom)
    enough = travel_is_enough(travel_m, frequency_hz)
    # The mean of the groups' means: each group weighs alike, whatever its size.
    share = math.sqrt(sum(1.0 / group.size for group in groups)) / len(groups)
    box = Known(within_db * share if enough else sd_db, degrees_of_freedom=freedom)
    mean_db = float(np.mean([group.mean() for group in groups]))
    flags = () if enough else ("short-travel",)
    return PlaceMean(mean_db, sd_db, count, box, flags, len(groups))
