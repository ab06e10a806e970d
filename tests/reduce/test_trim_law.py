"""The 1/f law of a trim against dipoles that NEC2 solves in boxes of another hand's making."""

from __future__ import annotations

import numpy as np
import pytest

from benchd.reduce.trim import SCALING_ERRORS, SLENDERNESS, scaling_error
from tests.coverage_study.trim_law import ratios


@pytest.mark.parametrize("slenderness", [12.0, 25.0, 150.0])
def test_the_change_that_is_needed_lies_where_the_table_says_in_19_of_20(
    slenderness: float,
) -> None:
    """NEC2 dipoles in 80 drawn boxes. A rectangle holds 95 % within 0.95 of its half-width; the
    share of 80 boxes scatters by 2.4 % (binomial), so 90 % at least."""
    error = np.abs(ratios(slenderness, 80, 11) - 1.0)
    width = scaling_error(slenderness).value
    assert np.mean(error <= 0.95 * width) >= 0.9
    # Nor is it wider than it must be: a third less would hold too seldom.
    assert np.mean(error <= 0.95 * width * 2.0 / 3.0) < 0.95


def test_the_table_falls_with_slenderness_and_ends_in_its_own_rows() -> None:
    assert list(SCALING_ERRORS) == sorted(SCALING_ERRORS, reverse=True)
    for slenderness, expected in zip(SLENDERNESS, SCALING_ERRORS, strict=True):
        assert scaling_error(slenderness).value == pytest.approx(expected)
    assert scaling_error(5.0).value == SCALING_ERRORS[0]
    assert scaling_error(1000.0).value == SCALING_ERRORS[-1]


def test_a_thickness_that_nobody_stated_is_taken_for_thick_and_said_to_be_assumed() -> None:
    unknown = scaling_error(None)
    assert (unknown.value, unknown.assumed) == (SCALING_ERRORS[0], True)
    assert not scaling_error(40.0).assumed
