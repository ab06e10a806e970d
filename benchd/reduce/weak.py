"""Errors of a gain that do not fall with the gain: where an antenna hardly radiates forward.

A Yagi beyond the edge of its band radiates as much as before, but elsewhere. What its elements
send one by one then nearly cancels ahead, and at a short distance it cancels otherwise than far
away: the element that is nearer counts for more. So the errors of the short range and of the place
that radiates keep their size beside what the antenna can do at its best, and grow beside what is
left of it, by the ratio of the two amplitudes.
"""

from __future__ import annotations

from dataclasses import replace

from benchd.reduce.montecarlo import settle
from benchd.reduce.uncertainty import scaled
from benchd.results import Result

KEEP_THEIR_SIZE = ("range and phase centre", "finite range")
"""Lines of a gain's budget, by the beginning of their names."""

WEAK_DB = 1.0
"""Gains less than this below the best are left alone."""


def weakened(point: Result, below_db: float) -> Result:
    """One gain that lies so far below the antenna's best."""
    if point.budget is None or below_db < WEAK_DB:
        return point
    grown = 10.0 ** (below_db / 20.0)
    terms = [
        scaled([line], grown)[0] if line.name.startswith(KEEP_THEIR_SIZE) else line
        for line in point.budget.terms
    ]
    budget = settle(terms, estimate=point.value)
    return replace(
        point,
        expanded_uncertainty=budget.expanded,
        coverage_factor=budget.coverage_factor,
        low=budget.low,
        high=budget.high,
        budget=budget,
    )
