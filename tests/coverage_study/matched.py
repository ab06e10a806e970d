"""Benches of foreign make whose antennas dip near the coupler's leak: return losses alone.

Few antennas of the other benches come so close; these are drawn for it, several readings each.
"""

from __future__ import annotations

import numpy as np

from benchd.reduce.reflection import reflection_results
from tests.coverage_study.antennas import matched
from tests.coverage_study.foreign import drawn_foreign, generator, looked
from tests.coverage_study.foreign_lines import at_frequencies
from tests.coverage_study.study import Line

APART_FROM_FOREIGN = 1_000_000
"""Added to a seed, so that its matched bench is another than its foreign one."""

BESIDE = 0.08
"""How far beside the dip two more are read, as a share of the sweep (standard deviation)."""


def matched_lines_of(seed: int) -> list[Line]:
    """Return losses and VSWRs of one bench: at the true dip, at the lowest reading, beside it."""
    one = drawn_foreign(APART_FROM_FOREIGN + seed, matched)
    (seen,) = looked(one)
    f, ratio_db = seen.frequency_hz, seen.ratio_db
    dips = one.antenna.dips()
    if not dips:
        return []
    low_hz, high_hz = one.antenna.sweep_hz
    beside_hz = dips[0][0] + BESIDE * (high_hz - low_hz) * generator(one.seed, 5).normal(size=2)
    at_hz = [dips[0][0], float(f[np.argmin(ratio_db)]), *np.clip(beside_hz, f[0], f[-1])]
    found = [
        result
        for here_hz in map(float, at_hz)
        for result in reflection_results(
            f, ratio_db, [here_hz], seen.known_at(here_hz), quantities=("return_loss", "vswr")
        )
    ]
    return list(at_frequencies(one, found))
