"""Which source of uncertainty to work on next: what weighs most in many results together."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass

from benchd.reduce.uncertainty import group_standard, groups
from benchd.results import Budget


@dataclass(frozen=True, slots=True)
class Ranked:
    """One source of uncertainty over several results.

    name: of its term. share: of the variance, 0 to 1, averaged over all results; a result without
    the term counts as 0. largest_in: number of results in which no other source weighs more.
    results: number of results looked at. left: what the standard uncertainties would be without
    it, as a part of what they are, averaged. assumed: True where its size is a documented default
    in any result.
    """

    name: str
    share: float
    largest_in: int
    results: int
    left: float
    assumed: bool


def ranked(budgets: Iterable[Budget]) -> list[Ranked]:
    """All sources of uncertainty of these budgets, the weightiest first.

    Terms of one source are one error, whose signed parts are added (JCGM 100, 5.2.2), so that
    what cancels inside a result does not count. Budgets to which nothing contributes are left out.
    """
    shares: dict[str, list[float]] = {}
    largest: dict[str, int] = {}
    assumed: set[str] = set()
    count = 0
    for budget in budgets:
        of_one = _shares(budget, assumed)
        if not of_one:
            continue
        count += 1
        first = max(of_one, key=lambda name: of_one[name])
        largest[first] = largest.get(first, 0) + 1
        for name, share in of_one.items():
            shares.setdefault(name, []).append(share)
    found = [
        Ranked(
            name=name,
            share=sum(each) / count,
            largest_in=largest.get(name, 0),
            results=count,
            left=(sum((1.0 - one) ** 0.5 for one in each) + count - len(each)) / count,
            assumed=name in assumed,
        )
        for name, each in shares.items()
    ]
    return sorted(found, key=lambda one: (-one.share, one.name))


def _shares(budget: Budget, assumed: set[str]) -> dict[str, float]:
    """Name of each error -> its share of the variance, 0 to 1; empty where nothing contributes."""
    gathered = groups(budget.terms)
    variance = sum(group_standard(lines) ** 2 for lines in gathered)
    if variance <= 0.0:
        return {}
    found: dict[str, float] = {}
    for lines in gathered:
        name = " and ".join(dict.fromkeys(line.name for line in lines))
        share = group_standard(lines) ** 2 / variance
        found[name] = min(1.0, found.get(name, 0.0) + share)
        if any(line.assumed and line.contribution > 0.0 for line in lines):
            assumed.add(name)
    return found
