"""Uncertainty budgets by JCGM 100:2008 (the GUM): terms, combination, coverage.

Terms with the same `source` are one and the same error that enters several times: their signed
contributions are added before squaring (JCGM 100, 5.2.2, correlation +1 or -1). All others are
added as squares (5.1.2). Effective degrees of freedom: Welch-Satterthwaite (G.4.1, equation G.2b).
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence
from dataclasses import replace

from benchd.reduce.distributions import coverage_factor
from benchd.results import Budget, Distribution, Term
from benchd.rounding import number_words, unit_of_difference

DIVISORS: dict[str, float] = {
    "normal": 1.0,
    "rectangular": math.sqrt(3.0),  # JCGM 100, 4.3.7
    "triangular": math.sqrt(6.0),  # JCGM 100, 4.3.9
    "u-shaped": math.sqrt(2.0),  # arcsine, sine of an unknown phase; JCGM 101, 6.4.6.4
    "expanded": 2.0,  # unless the certificate states another k
}


def term(
    name: str,
    size: float,
    unit: str,
    distribution: Distribution = "normal",
    *,
    sensitivity: float = 1.0,
    divisor: float | None = None,
    degrees_of_freedom: float = math.inf,
    source: str = "",
    assumed: bool = False,
) -> Term:
    """One line of a budget; the divisor follows from the distribution unless given.

    size and unit: as stated for the input (see benchd.results.Term); sensitivity: signed,
    result per input. Raises ValueError for a negative or non-finite size or sensitivity.
    """
    if not (math.isfinite(size) and size >= 0.0 and math.isfinite(sensitivity)):
        raise ValueError(f"term {name}: size {size} and sensitivity {sensitivity} must be finite")
    share = DIVISORS[distribution] if divisor is None else divisor
    return Term(
        name=name,
        size=float(size),
        unit=unit,
        distribution=distribution,
        divisor=share,
        sensitivity=float(sensitivity),
        contribution=abs(sensitivity) * size / share,
        degrees_of_freedom=degrees_of_freedom,
        source=source,
        assumed=assumed,
    )


def signed_contribution(line: Term) -> float:
    """The contribution with the sign of its sensitivity."""
    return math.copysign(line.contribution, line.sensitivity)


def groups(terms: Iterable[Term]) -> list[list[Term]]:
    """The terms of each error: one list per source, and one per term without a source."""
    by_source: dict[str, list[Term]] = {}
    gathered: list[list[Term]] = []
    for line in terms:
        if line.source and line.source in by_source:
            by_source[line.source].append(line)
            continue
        fresh = [line]
        gathered.append(fresh)
        if line.source:
            by_source[line.source] = fresh
    return gathered


def group_standard(lines: Sequence[Term]) -> float:
    """Standard uncertainty that one error contributes, its signed parts added."""
    if len(lines) == 1:
        return abs(lines[0].contribution)
    return abs(sum(signed_contribution(line) for line in lines))


def effective_degrees_of_freedom(terms: Sequence[Term]) -> float:
    """Welch-Satterthwaite (JCGM 100, G.2b); infinity where every term is a stated limit."""
    gathered = groups(terms)
    return _effective([group_standard(lines) for lines in gathered], gathered)


def _effective(sizes: Sequence[float], gathered: Sequence[Sequence[Term]]) -> float:
    """sizes: what each group contributes."""
    variance = sum(size**2 for size in sizes)
    weight = 0.0
    for size, lines in zip(sizes, gathered, strict=True):
        freedom = min([line.degrees_of_freedom for line in lines])
        weight += size**4 / freedom
    return math.inf if weight == 0.0 else variance**2 / weight


def combine(terms: Iterable[Term], *, estimate: float, coverage: float = 0.95) -> Budget:
    """Combine terms into a budget whose interval is estimate +- k u.

    estimate: the value of the result, in the unit of the contributions.
    """
    lines = tuple(terms)
    gathered = groups(lines)
    sizes = [group_standard(group) for group in gathered]
    standard = math.sqrt(sum([size**2 for size in sizes]))
    freedom = _effective(sizes, gathered)
    k = coverage_factor(freedom, coverage)
    return Budget(
        terms=lines,
        standard=standard,
        degrees_of_freedom=freedom,
        coverage_factor=k,
        expanded=k * standard,
        low=estimate - k * standard,
        high=estimate + k * standard,
    )


def scaled(lines: Iterable[Term], factor: float) -> tuple[Term, ...]:
    """The same errors in another result, with d(new result)/d(old result) = factor."""
    return tuple(
        replace(
            line,
            sensitivity=line.sensitivity * factor,
            contribution=line.contribution * abs(factor),
        )
        for line in lines
    )


def difference(first: Budget, second: Budget, *, estimate: float) -> Budget:
    """Budget of (first - second): what both share by `source` cancels, the rest adds up."""
    return combine((*first.terms, *scaled(second.terms, -1.0)), estimate=estimate)


def has_assumed(terms: Iterable[Term]) -> bool:
    """True if an assumed term contributes noticeably: such a result is flagged."""
    return any(line.assumed and line.contribution > 0.0 for line in terms)


def shares(budget: Budget) -> list[tuple[Term, float]]:
    """The terms, largest contribution first, each with its share of the variance, 0 to 1.

    A term of an error that comes in several times (same source) has the share of its covariance
    with the whole, c_i (c_1 + ... + c_n)/u^2: it is negative where the term is cancelled by the
    others. Shares add up to 1. All are 0 where nothing contributes.
    """
    variance = sum(group_standard(lines) ** 2 for lines in groups(budget.terms))
    found = []
    for lines in groups(budget.terms):
        together = sum(map(signed_contribution, lines))
        for line in lines:
            share = signed_contribution(line) * together / variance if variance else 0.0
            found.append((line, share))
    return sorted(found, key=lambda pair: -pair[0].contribution)


def improve_first(budget: Budget, unit: str = "") -> str:
    """One sentence: which error to work on, and what removing it would leave."""
    gathered = groups(budget.terms)
    if not gathered or budget.standard == 0.0:
        return "No term contributes."
    worst = max(gathered, key=group_standard)
    left = math.sqrt(max(0.0, budget.standard**2 - group_standard(worst) ** 2))
    name = " and ".join(dict.fromkeys(line.name for line in worst))
    known = "; its size is assumed, so measure it first" if any(t.assumed for t in worst) else ""
    shown = unit_of_difference(unit)
    return (
        f"Work on {name} first: without it the standard uncertainty would fall "
        f"from {number_words(budget.standard, shown, digits=3)} to "
        f"{number_words(left, shown, digits=3)}{known}."
    )
