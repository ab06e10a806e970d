"""What the short range does to a gain that has nearly vanished, against filaments in a row."""

import math

import numpy as np
import pytest

from benchd.reduce.gain_by_substitution import gain_result
from benchd.reduce.montecarlo import settle
from benchd.reduce.uncertainty import term
from benchd.reduce.weak_radiation import reach_of, weakened
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


def test_at_its_best_a_gain_stays_as_it_is() -> None:
    before, found = gain(9.0), weakened(gain(9.0), 0.0, 0.05)
    assert sizes(found) == pytest.approx([*sizes(before), 0.0])
    assert (found.low, found.high) == (before.low, before.high)


def test_what_an_antenna_reaches_along_the_range_is_what_does_not_lie_across_it() -> None:
    """0.141 m at 1.7 GHz: half a wavelength of 0.0882 m across leaves 0.110 m along."""
    assert reach_of(1.7e9, 0.082, 0.5) == 0.0
    along_m = math.sqrt(0.141**2 - (299_792_458.0 / 1.7e9 / 2.0) ** 2)
    assert reach_of(1.7e9, 0.141, 0.5) == pytest.approx(along_m / 0.5 / math.sqrt(12.0))
    even = np.linspace(-along_m / 2.0, along_m / 2.0, 10_001)
    assert reach_of(1.7e9, 0.141, 0.5) == pytest.approx(even.std() / 0.5, rel=1e-3)


def test_sources_along_the_range_that_nearly_cancel_stray_by_what_is_stated() -> None:
    """Five sources along 0.11 m at 0.5 m, with currents drawn; those whose sum is 6 to 12 dB below
    the best that they could do. Fields fall as 1/r (arithmetic)."""
    rng = np.random.default_rng(5)
    ahead_m = np.linspace(-0.055, 0.055, 5)
    currents = rng.normal(size=(20_000, 5)) + 1j * rng.normal(size=(20_000, 5))
    far = np.abs(currents.sum(axis=1))
    near = np.abs((currents * 0.5 / (0.5 - ahead_m)).sum(axis=1))
    # At their best sources of this strength are all in phase.
    below_db = -20.0 * np.log10(far / np.abs(currents).sum(axis=1))
    some = (below_db > 6.0) & (below_db < 12.0)
    strays_db = float(np.std(20.0 * np.log10(near[some] / far[some])))
    stated = weakened(gain(0.0), 9.0, reach_of(1.7e9, 0.141, 0.5))
    assert 0.4 * sizes(stated)[3] < strays_db < 1.2 * sizes(stated)[3]


def test_far_below_the_best_errors_of_the_range_grow_by_the_ratio_of_amplitudes() -> None:
    before, found = gain(-3.0), weakened(gain(-3.0), 20.0)
    assert found.value == before.value
    expected = [10.0 * sizes(before)[0], 10.0 * sizes(before)[1], sizes(before)[2], 0.0]
    assert sizes(found) == pytest.approx(expected)
    assert found.budget is not None
    assert found.budget.standard == pytest.approx(math.hypot(*expected))
    assert (found.low, found.high) == (found.budget.low, found.budget.high)
    assert found.high is not None
    assert before.high is not None
    assert found.high - found.value > 3.0 * (before.high - before.value)
