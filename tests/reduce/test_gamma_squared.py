"""Noise taken off at each frequency, and averaging that keeps a curve's bend."""

import numpy as np
from numpy.testing import assert_allclose

from benchd.reduce.budget_inputs import Known, ReflectionKnowledge
from benchd.reduce.gamma_squared import bent_weights, prepare, smooth, smooth_bent

GRID = np.linspace(1.45e9, 1.95e9, 101)


def test_a_parabola_through_the_neighbours_keeps_a_parabola_which_a_mean_does_not() -> None:
    away = (GRID - 1.7e9) / 1e8
    curve = 0.05 + 0.1 * away**2 + 0.01 * away
    inside = slice(7, -7)
    assert_allclose(smooth_bent(curve, bent_weights(13))[inside], curve[inside], atol=1e-12)
    assert np.min((smooth(curve, 9) - curve)[inside]) > 0.001


def test_the_weights_of_nine_points_are_those_that_are_printed() -> None:
    """-21, 14, 39, 54, 59, ... over 231 (Savitzky and Golay, 1964, table I, from memory)."""
    assert_allclose(231.0 * bent_weights(9), [-21, 14, 39, 54, 59, 54, 39, 14, -21], atol=1e-9)


def test_noise_is_taken_off_by_how_far_the_baseline_lies_above_it_at_each_frequency() -> None:
    """A baseline that falls from 30 to 10 dB above the noise, as behind a long cable."""
    above_db = np.linspace(30.0, 10.0, GRID.size)
    true = np.full(GRID.size, 0.1)
    read_db = 10.0 * np.log10(true + 10.0 ** (-above_db / 10.0))
    known = ReflectionKnowledge(
        dynamic_range_db=Known(20.0), dynamic_range_along=(GRID, above_db), noise_sd_db=Known(0.01)
    )
    found = prepare(GRID, read_db, known)
    assert_allclose(found.gamma_squared, true, rtol=1e-9)
    assert found.sd[-1] > 5.0 * found.sd[0]
