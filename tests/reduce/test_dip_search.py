"""Joining the valleys of a trace, against the plain rule carried out pair by pair."""

from collections.abc import Callable
from itertools import pairwise

import numpy as np
import pytest

from benchd.reduce.dip_search import _merged, _minima

Parts = Callable[[int, int], bool]


def pair_by_pair(
    minima: list[int], tops: list[int], gamma: np.ndarray, parts: Parts
) -> tuple[list[list[int]], list[int]]:
    """Every pair looked at anew after each joining; the least rise first, then the left one."""
    groups, tops = [[at] for at in minima], list(tops)
    while True:
        weak = []
        for number, top in enumerate(tops):
            shallow = max(groups[number][0], groups[number + 1][0], key=lambda at: gamma[at])
            if not parts(shallow, top):
                weak.append((gamma[top] - gamma[shallow], number))
        if not weak:
            return groups, tops
        number = min(weak)[1]
        joined = groups[number] + groups[number + 1]
        groups[number : number + 2] = [sorted(joined, key=lambda at: gamma[at])]
        del tops[number]


@pytest.mark.parametrize("seed", range(12))
@pytest.mark.parametrize("least", [0.0, 0.05, 0.3, 5.0])
def test_valleys_are_joined_as_pair_by_pair(seed: int, least: float) -> None:
    """Also with equal levels, as coarse readings have them, and rises that count by their place."""
    rng = np.random.default_rng(seed)
    gamma = np.abs(np.cumsum(rng.normal(0.0, 0.1, 300))) + rng.uniform(0.0, 0.2, 300)
    if seed % 2:
        gamma = np.round(gamma, 1)
    minima = _minima(gamma)
    tops = [a + int(np.argmax(gamma[a : b + 1])) for a, b in pairwise(minima)]

    def parts(dip: int, top: int) -> bool:
        return bool(gamma[top] - gamma[dip] > least * (1.0 + dip / 600.0))

    groups, left = _merged(minima, tops, gamma, parts)
    wanted, wanted_left = pair_by_pair(minima, tops, gamma, parts)
    assert left == wanted_left
    assert [sorted(one) for one in groups] == [sorted(one) for one in wanted]
    assert [one[0] for one in groups] == [one[0] for one in wanted]


def test_a_long_noisy_trace_is_looked_at_about_as_often_as_it_has_tops() -> None:
    """A trace of 100,001 points may have ten thousands of minima by noise alone."""
    gamma = np.random.default_rng(7).uniform(0.2, 0.3, 20_001)
    minima = _minima(gamma)
    tops = [a + int(np.argmax(gamma[a : b + 1])) for a, b in pairwise(minima)]
    looks = []

    def parts(dip: int, top: int) -> bool:
        looks.append(top)
        return False

    groups, left = _merged(minima, tops, gamma, parts)
    assert (len(groups), left) == (1, [])
    assert len(looks) <= 3 * len(tops)


def test_a_trace_of_one_valley_has_nothing_to_join() -> None:
    assert _merged([3], [], np.arange(5.0), lambda dip, top: False) == ([[3]], [])
