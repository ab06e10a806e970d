"""How much the last sweeps of a live look differ, and where their dip is."""

from __future__ import annotations

import numpy as np
import pytest

from benchd.reduce.last_sweeps import lowest_point, spread_of


def test_sweeps_that_are_alike_have_no_spread() -> None:
    found = spread_of(np.full((10, 3), -12.0))
    np.testing.assert_allclose(found.deviation_db, 0.0, atol=1e-12)
    np.testing.assert_allclose(found.range_db, 0.0, atol=1e-12)


def test_a_wave_that_adds_and_subtracts_is_told_by_its_ratio_to_the_mean() -> None:
    """Magnitudes 0.9, 1.0 and 1.1: s = 0.1, so 20 lg 1.1 = 0.828 dB; and 20 lg(1.1/0.9) = 1.743 dB
    (arithmetic). The level itself does not matter."""
    sweeps_db = 20.0 * np.log10(np.array([[0.9, 0.009], [1.0, 0.010], [1.1, 0.011]]))
    found = spread_of(sweeps_db)
    np.testing.assert_allclose(found.deviation_db, [0.82785, 0.82785], atol=1e-5)
    np.testing.assert_allclose(found.range_db, [1.74300, 1.74300], atol=1e-5)


def test_the_deviation_is_that_of_magnitudes_and_not_of_decibels() -> None:
    rng = np.random.default_rng(11)
    magnitude = 0.3 + 0.1 * rng.random((10, 50))
    found = spread_of(20.0 * np.log10(magnitude))
    expected = 20.0 * np.log10(1.0 + magnitude.std(axis=0, ddof=1) / magnitude.mean(axis=0))
    np.testing.assert_allclose(found.deviation_db, expected, rtol=1e-12)


@pytest.mark.parametrize("shape", [(1, 5), (5,)])
def test_one_sweep_has_no_spread(shape: tuple[int, ...]) -> None:
    with pytest.raises(ValueError, match="two sweeps or more"):
        spread_of(np.zeros(shape))


def test_the_lowest_point_of_a_parabola_is_found_between_the_points() -> None:
    grid = np.array([1.0, 1.9, 3.0, 4.2]) * 1e9  # not evenly spaced
    level = 3.0 * ((grid - 2.3e9) / 1e9) ** 2 - 17.0
    at_hz, low_db = lowest_point(grid, level)
    assert at_hz == pytest.approx(2.3e9, rel=1e-9)
    assert low_db == pytest.approx(-17.0, abs=1e-9)


def test_at_an_end_of_the_sweep_the_lowest_point_is_the_end() -> None:
    assert lowest_point(np.array([1e9, 2e9, 3e9]), np.array([-9.0, -5.0, -3.0])) == (1e9, -9.0)
    assert lowest_point(np.array([1e9, 2e9, 3e9]), np.array([1.0, 1.0, 1.0])) == (1e9, 1.0)
