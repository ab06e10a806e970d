"""What a reading near the coupler's leak allows: which reflections may stand behind it.

A scalar reading is |G + d|: reflection and leak at an unknown phase. Draws of the leak taken off a
reading at any phase (`reflectometer.gamma_draws`) weigh every point of the complex plane alike.
That puts more antennas at large magnitudes than at small ones, as a ring holds more area the wider
it is. Antennas do not lie so: at a dip the reflection is nearly real, and any magnitude down to
nothing is about as likely as any other. Far above the leak both say the same; near it the plane
hides the deep ones. On drawn benches with dips near the leak, intervals of the plane held 75 to
89 % of the true return losses, and where they failed the truth was deeper; those of even
magnitudes held 95 to 98 % (docs/coverage.md).
"""

from __future__ import annotations

import numpy as np

from benchd.reduce.decibels import gamma_from_return_loss
from benchd.reduce.knowledge import ReflectionKnowledge
from benchd.reduce.reflectometer import joint_draws, leak_draws
from benchd.traces import FloatArray

COVERED_SHARE = 0.025
"""A reading that the leak alone would pass in more cases than this has no lower end: no reflection
at all then lies within its 95 % interval."""

LARGEST_LEAK = 3.0
"""No drawn leak is locally larger than this many times its stated size: three parts in phase are
1.7 times their root mean square, and the size itself is known to a tenth or to a half."""


def magnitude_interval(draws: FloatArray, coverage: float = 0.95) -> tuple[float, float]:
    """Probabilistically symmetric interval of a reflection magnitude, draws of shape (trials,).

    draws: of the plane, from `gamma_draws`; each counts by 1/magnitude, the ring's width undone.
    """
    ordered = np.sort(draws)
    # So near to nothing lies about one draw of a plane; none may outweigh the others by chance.
    nearest = np.sqrt(np.mean(ordered**2) / ordered.size)
    weight = 1.0 / np.maximum(ordered, nearest)
    # Half of its own weight lies below a draw: the quantile of weighted draws.
    below = (np.cumsum(weight) - weight / 2.0) / weight.sum()
    ends = (0.5 - coverage / 2.0, 0.5 + coverage / 2.0)
    low, high = np.interp(ends, below, ordered)
    return float(low), float(high)


def largest_magnitude(draws: FloatArray, coverage: float = 0.95) -> float:
    """One-sided upper limit of a reflection magnitude, draws of shape (trials,).

    Draws of the plane count alike here: of the two laws the one that gives the larger limit.
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
