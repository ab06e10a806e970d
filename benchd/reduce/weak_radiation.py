"""Errors of a gain at frequencies where the antenna hardly radiates forward.

Beyond the edge of its band a Yagi radiates as much as before, but in other directions. Ahead of it
the waves of its elements nearly cancel. At a short distance they cancel in another way than far
away, since the nearer element has more effect. So the errors of the short range and of the phase
centre stay constant as amplitudes, relative to the antenna's best gain. Relative to the small gain
that is left they grow, by the ratio of the two amplitudes.
"""

from __future__ import annotations

import math
from dataclasses import replace

from benchd.reduce.decibels import NEPER_DB, wavelength_m
from benchd.reduce.montecarlo import settle
from benchd.reduce.uncertainty import scaled, term
from benchd.results import Result

KEEP_THEIR_SIZE = ("range and phase centre", "finite range")
"""Lines of a gain's budget, by the beginning of their names."""

WEAK_DB = 1.0
"""Curves that nowhere fall by more than this, dB, are not changed."""


ALONG_THE_BOOM = "short range where little is radiated ahead"


def weakened(point: Result, below_db: float, reach: float = 0.0) -> Result:
    """One gain that lies so far below the antenna's best.

    reach: by how much the antenna's ends, seen from the other antenna, lie nearer and farther than
        its middle, as a share of the range: `reach_of`.
    """
    if point.budget is None:
        return point
    grown = 10.0 ** (max(0.0, below_db) / 20.0)
    terms = [
        scaled([line], grown)[0] if line.name.startswith(KEEP_THEIR_SIZE) else line
        for line in point.budget.terms
    ]
    # What is stated of the range holds where the antenna works, and what comes to it by the
    # cancelling adds in quadrature.
    size_db = NEPER_DB * reach * math.sqrt(grown**2 - 1.0)
    terms.append(term(ALONG_THE_BOOM, size_db, "dB"))
    budget = settle(terms, estimate=point.value)
    return replace(
        point,
        expanded_uncertainty=budget.expanded,
        coverage_factor=budget.coverage_factor,
        low=budget.low,
        high=budget.high,
        budget=budget,
    )


def reach_of(frequency_hz: float, largest_dimension_m: float, range_m: float) -> float:
    """Standard deviation of 1/r along an antenna, relative to that of its middle.

    A dipole lies across the range: half a wavelength of the largest dimension is taken for that.
    The rest runs along it, and sources spread evenly over a length L have a standard deviation of
    L/sqrt(12) (arithmetic).
    """
    across_m = wavelength_m(frequency_hz) / 2.0
    along_m = math.sqrt(max(0.0, largest_dimension_m**2 - across_m**2))
    return along_m / math.sqrt(12.0) / range_m
