"""Propagation of distributions by Monte Carlo (JCGM 101:2008) and the rule that chooses it.

The rule: the interval by JCGM 100 is used unless

1. one non-normal term (rectangular, triangular or u-shaped) makes more than half of the variance:
   the result is then not nearly normal (JCGM 100, G.6.5), and k = 2 overstates a u-shaped term by
   40 %; or
2. the model is not linear over the interval: the relative standard uncertainty of a quantity that
   enters through a logarithm or quotient is above 0.1 (return loss near the directivity).

In these cases the interval comes from random draws that are the same in every run, and the budget
says so, with how many there were and from which number they began.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

import numpy as np

from benchd.reduce.shared_draws import SharedDraws
from benchd.reduce.uncertainty import (
    combine,
    group_standard,
    groups,
    signed_contribution,
)
from benchd.results import Budget, Term
from benchd.traces import ComplexArray, FloatArray

TRIALS = 20_000
"""Number of draws for an interval. The ends of a 95 % interval are then random by about 1 % of its
width."""

SEED = 20_211
"""Fixed, so that reducing a stored capture again gives the same numbers."""

LARGEST_NON_NORMAL_SHARE = 0.5
LARGEST_RELATIVE_STANDARD = 0.1

_BOUNDED = frozenset({"rectangular", "triangular", "u-shaped"})


def unit_draws(line: Term, rng: np.random.Generator, trials: int = TRIALS) -> FloatArray:
    """Draws of an error in units of its standard uncertainty, shape (trials,).

    Normal terms with finite degrees of freedom are drawn from Student's t (JCGM 101, 6.4.9).
    """
    draws: FloatArray
    if line.distribution == "rectangular":
        draws = rng.uniform(-1.0, 1.0, trials) * np.sqrt(3.0)
    elif line.distribution == "triangular":
        draws = (rng.uniform(-1.0, 1.0, trials) + rng.uniform(-1.0, 1.0, trials)) * np.sqrt(1.5)
    elif line.distribution == "u-shaped":
        draws = np.sin(rng.uniform(-np.pi, np.pi, trials)) * np.sqrt(2.0)
    elif np.isfinite(line.degrees_of_freedom):
        draws = rng.standard_t(line.degrees_of_freedom, trials)
    else:
        draws = rng.standard_normal(trials)
    return draws


def phasors(phase_rad: FloatArray) -> ComplexArray:
    """exp(j phase) for phases of any shape, by the tangent t of half the phase:
    ((1 - t^2) + 2 j t)/(1 + t^2). One tangent is computed faster than cosine and sine."""
    tangent = np.tan(0.5 * phase_rad)
    square = tangent * tangent
    part = 1.0 / (1.0 + square)
    found = np.empty(np.shape(phase_rad), dtype=np.complex128)
    np.multiply(1.0 - square, part, out=found.real)
    np.multiply(tangent + tangent, part, out=found.imag)
    return found


def turns(rng: np.random.Generator, size: int | tuple[int, ...]) -> ComplexArray:
    """Unit phasors of unknown phase, of that shape."""
    if isinstance(rng, SharedDraws):
        return rng.phasors(size, phasors)
    return phasors(rng.uniform(-np.pi, np.pi, size))


def linear_draws(
    terms: Sequence[Term], rng: np.random.Generator, trials: int = TRIALS
) -> FloatArray:
    """Draws of the error of the result, shape (trials,): one draw per source, signed sums."""
    total = np.zeros(trials)
    for lines in groups(terms):
        total += sum(map(signed_contribution, lines)) * unit_draws(lines[0], rng, trials)
    return total


def interval(
    draws: FloatArray, coverage: float = 0.95, *, shortest: bool = False
) -> tuple[float, float]:
    """Coverage interval of draws, shape (trials,): probabilistically symmetric, or the shortest.

    JCGM 101, 5.3.3 and 5.3.4 (7.7 for its computation from draws).
    """
    if not shortest:
        low, high = np.quantile(draws, [0.5 - coverage / 2.0, 0.5 + coverage / 2.0])
        return float(low), float(high)
    ordered = np.sort(draws)
    inside = min(int(np.floor(coverage * ordered.size + 0.5)), ordered.size - 1)
    widths = ordered[inside:] - ordered[: ordered.size - inside]
    first = int(np.argmin(widths))
    return float(ordered[first]), float(ordered[first + inside])


def non_normal_share(terms: Sequence[Term]) -> float:
    """Largest share of the variance that one bounded error holds, 0 to 1."""
    gathered = groups(terms)
    parts = [group_standard(lines) ** 2 for lines in gathered]
    variance = sum(parts)
    bounded = [
        part
        for part, lines in zip(parts, gathered, strict=True)
        if lines[0].distribution in _BOUNDED
    ]
    return max(bounded, default=0.0) / variance if variance > 0.0 else 0.0


def wants_draws(terms: Sequence[Term], relative_standard: float = 0.0) -> bool:
    """The rule of this module: True where the interval must come from draws."""
    return (
        non_normal_share(terms) > LARGEST_NON_NORMAL_SHARE
        or relative_standard > LARGEST_RELATIVE_STANDARD
    )


def with_interval(
    budget: Budget, low: float, high: float, *, trials: int = TRIALS, seed: int = SEED
) -> Budget:
    """The budget with its interval taken from draws; U is half the width, k = U/u."""
    half = (high - low) / 2.0
    k = half / budget.standard if budget.standard > 0.0 else budget.coverage_factor
    return replace(
        budget,
        expanded=half,
        coverage_factor=k,
        low=low,
        high=high,
        method="monte-carlo",
        trials=trials,
        seed=seed,
    )


def settle(
    terms: Sequence[Term], *, estimate: float, trials: int = TRIALS, seed: int = SEED
) -> Budget:
    """Budget of a result that is linear in its errors, its interval by the rule."""
    budget = combine(terms, estimate=estimate)
    if not wants_draws(terms):
        return budget
    draws = estimate + linear_draws(terms, SharedDraws(seed), trials)
    low, high = interval(draws)
    return with_interval(budget, low, high, trials=trials, seed=seed)
