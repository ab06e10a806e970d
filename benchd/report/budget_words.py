"""The numbers of an uncertainty budget in words: sizes, contributions, sums."""

from __future__ import annotations

import math

from benchd.results import Budget, Result, Term
from benchd.rounding import (
    factor_of,
    fixed,
    general,
    place_of,
    unit_for,
    unit_of_difference,
)


class Scale:
    """One unit for a whole column, chosen by the combined uncertainty."""

    def __init__(self, standard: float, unit: str) -> None:
        self.unit = unit_for(standard, unit_of_difference(unit))

    def words(self, value: float) -> str:
        """Three significant digits with the unit: one more than a result has, so that whoever adds
        the lines up finds the sum (JCGM 100, 7.2.6)."""
        if not math.isfinite(value):
            return "unbounded"
        text = general(value / factor_of(self.unit), 3)
        return f"{text} {self.unit}" if self.unit else text


def size_of(line: Term) -> str:
    """The stated size of one input, with its unit."""
    return Scale(line.size, line.unit).words(line.size)


def freedom_words(freedom: float) -> str:
    """Degrees of freedom; "inf" for a stated limit."""
    return "inf" if math.isinf(freedom) else f"{freedom:.3g}"


def sums(result: Result, found: Budget) -> list[str]:
    """The combined uncertainty, the interval and the method, a line each."""
    scale = Scale(found.standard, result.unit)
    sums = f"u = {scale.words(found.standard)}, nu_eff = {freedom_words(found.degrees_of_freedom)}"
    if result.low is None or result.high is None:
        ends = "95 % interval: one-sided, see the value above"
    else:
        own = Scale(max(abs(result.low), abs(result.high)), result.unit)
        sums += f", k = {found.coverage_factor:.3f}, U = {scale.words(found.expanded)}"
        tail = " dBi" if result.unit == "dBi" else (f" {own.unit}" if own.unit else "")
        factor = factor_of(own.unit)
        place = place_of((result.high - result.low) / factor) if result.high > result.low else 6
        low, high = (fixed(end / factor, place) for end in (result.low, result.high))
        ends = f"95 % interval: {low} to {high}{tail}"
    method = "GUM (JCGM 100), Welch-Satterthwaite"
    if found.method == "monte-carlo":
        method = f"Monte Carlo (JCGM 101), {found.trials} trials, seed {found.seed}"
    return [sums, ends, f"Method: {method}"]
