"""What the short range does to a gain that has nearly vanished, against filaments in a row."""

import math

import numpy as np
import pytest

from benchd.reduce.montecarlo import settle
from benchd.reduce.transfer import gain_result
from benchd.reduce.uncertainty import term
from benchd.reduce.weak import weakened
from benchd.results import Result


def gain(value: float) -> Result:
    """A gain with a line of the range and one of the joints."""
    terms = [
        term("range and phase centre", 0.3, "dB", "rectangular"),
        term("finite range", 0.1, "dB", "rectangular"),
        term("cable and switch", 0.2, "dB"),
    ]
    return gain_result("realised_gain", value, settle(terms, estimate=value), (), 1.7e9)


def sizes(result: Result) -> list[float]:
    assert result.budget is not None
    return [line.contribution for line in result.budget.terms]


def test_near_its_best_a_gain_stays_as_it_is() -> None:
    found = gain(9.0)
    assert weakened(found, 0.9) is found


def test_far_below_the_best_errors_of_the_range_grow_by_the_ratio_of_amplitudes() -> None:
    before, found = gain(-3.0), weakened(gain(-3.0), 20.0)
    assert found.value == before.value
    expected = [10.0 * sizes(before)[0], 10.0 * sizes(before)[1], sizes(before)[2]]
    assert sizes(found) == pytest.approx(expected)
    assert found.budget is not None
    assert found.budget.standard == pytest.approx(math.hypot(*expected))
    assert (found.low, found.high) == (found.budget.low, found.budget.high)
    assert found.high is not None
    assert before.high is not None
    assert found.high - found.value > 3.0 * (before.high - before.value)


def test_a_row_of_sources_that_nearly_cancel_errs_so_at_a_short_distance() -> None:
    """Two sources 5 cm before and behind the mark, at a range of 0.5 m: in phase they read nearly
    what they do far away, turned against each other they do not. Fields fall as 1/r (arithmetic).
    """
    ahead_m, range_m = np.array([0.05, -0.05]), 0.5

    def error_db(currents: np.ndarray) -> tuple[float, float]:
        far = abs(currents.sum())
        near = abs((currents * range_m / (range_m - ahead_m)).sum())
        below_db = -20.0 * math.log10(far / np.abs(currents).sum())
        return 20.0 * math.log10(near / far), below_db

    uneven = np.array([0.7, 0.3])
    at_best_db, _ = error_db(uneven)
    found_db, below_db = error_db(uneven * np.array([1.0, -1.2]))
    assert below_db > 5.0
    point = gain(0.0)
    grown = sizes(weakened(point, below_db))[0] / sizes(point)[0]
    # The same shift of one part in ten is seen beside less: larger at least by half the factor.
    assert grown / 2.0 < abs(found_db / at_best_db) < 4.0 * grown
