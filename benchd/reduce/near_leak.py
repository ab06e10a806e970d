"""The interval of true reflections for a reading near the coupler's leak.

A scalar reading is |G + d|, with reflection G and leak d at an unknown phase. Subtracting draws of
the leak from a reading at any phase (`reflectometer.gamma_draws`) treats all points of the complex
plane as equally likely. That makes large magnitudes more likely than small ones, since a ring of
larger radius has a larger area. Real antennas differ: at a dip the reflection is nearly real, and
all magnitudes down to zero are about equally likely. Far above the leak both assumptions give the
same; near it the plane makes deep dips too unlikely. On simulated benches with dips near the leak,
intervals by the plane contained 75 to 89 % of the true return losses, and the missed ones were
deeper. Intervals with equally likely magnitudes contained 95 to 98 % (docs/coverage.md).
"""

from __future__ import annotations

import numpy as np

from benchd.reduce.budget_inputs import ReflectionKnowledge
from benchd.reduce.decibels import gamma_from_return_loss
from benchd.reduce.reflectometer import joint_draws, leak_draws
from benchd.traces import FloatArray

COVERED_SHARE = 0.025
"""If the leak alone would exceed a reading in more cases than this, the interval of the reflection
has no lower end: zero reflection lies within the 95 % interval."""

AT_LOW_END, AT_HIGH_END = 0.06, 0.67
"""The ends of an interval nearly always lie below and above these parts of its draws."""

LARGEST_LEAK = 3.0
"""No draw of a leak is larger at any frequency than this many times its stated size. Three parts in
phase are 1.7 times their root mean square, and the size itself is known to a tenth or to a half."""


def magnitude_interval(draws: FloatArray, coverage: float = 0.95) -> tuple[float, float]:
    """Probabilistically symmetric interval of a reflection magnitude, draws of shape (trials,).

    draws: from `gamma_draws`, all points of the plane equally likely. Each gets the weight
    1/magnitude, which makes all magnitudes equally likely.
    """
    # About one draw lies this near to zero. Its weight is limited, so that by chance no draw
    # outweighs the others.
    nearest = np.sqrt(np.mean(draws**2) / draws.size)
    whole = float(np.sum(1.0 / np.maximum(draws, nearest)))
    outside = whole * (0.5 - coverage / 2.0)
    # Only the draws beyond the two ends need an order. Small ones weigh more, so there are fewer.
    few, many = int(draws.size * AT_LOW_END), int(draws.size * AT_HIGH_END)
    parted = np.partition(draws, (few, many))
    low = _end(np.sort(parted[:few]), outside, nearest)
    high = _end(np.sort(parted[many:])[::-1], outside, nearest)
    if low is None or high is None:
        ordered = np.sort(draws)
        low, high = (_end(each, outside, nearest) for each in (ordered, ordered[::-1]))
    assert low is not None
    assert high is not None
    return low, high


def _end(inward: FloatArray, outside: float, nearest: float) -> float | None:
    """Where draws that outweigh `outside` lie beyond; None if all of these do not weigh so much.

    inward: draws in order, from the end of the range on.
    """
    weight = 1.0 / np.maximum(inward, nearest)
    # Half of a draw's weight counts as lying beyond it.
    beyond = np.cumsum(weight) - weight / 2.0
    if beyond.size == 0 or beyond[-1] < outside:
        return None
    return float(np.interp(outside, beyond, inward))


def largest_magnitude(draws: FloatArray, coverage: float = 0.95) -> float:
    """One-sided upper limit of a reflection magnitude, draws of shape (trials,).

    All draws have the same weight here: of the two assumptions this gives the larger limit.
    """
    return float(np.quantile(draws, coverage))


def may_be_nothing(
    gamma: float, known: ReflectionKnowledge, rng: np.random.Generator, trials: int
) -> bool:
    """Whether leak and joint alone, without any reflection, could have given a reading."""
    size = gamma_from_return_loss(known.directivity_db.value) + known.joint_gamma_sd.value
    if gamma > LARGEST_LEAK * size:
        return False
    alone = leak_draws(known.directivity_db, known, rng, trials) + joint_draws(known, rng, trials)
    return bool(np.mean(np.abs(alone) >= gamma) > COVERED_SHARE)
