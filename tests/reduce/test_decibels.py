"""Conversions: round trips and order, over the whole range."""

import numpy as np
from hypothesis import given
from hypothesis import strategies as st

from benchd.reduce.decibels import (
    db_from_power_ratio,
    db_from_ratio,
    free_space_path_loss_db,
    gamma_from_return_loss,
    gamma_from_vswr,
    mismatch_loss_db,
    power_ratio_from_db,
    ratio_from_db,
    return_loss_from_gamma,
    vswr_from_gamma,
    wavelength_m,
)

LEVELS = st.floats(-150, 150)
GAMMAS = st.floats(1e-6, 0.999)


@given(LEVELS)
def test_decibels_come_back_from_ratios(level_db: float) -> None:
    assert abs(db_from_ratio(ratio_from_db(level_db)) - level_db) < 1e-9
    assert abs(db_from_power_ratio(power_ratio_from_db(level_db)) - level_db) < 1e-9
    assert np.isclose(ratio_from_db(level_db) ** 2, power_ratio_from_db(level_db), rtol=1e-12)


@given(GAMMAS)
def test_reflection_comes_back_from_return_loss_and_vswr(gamma: float) -> None:
    assert np.isclose(gamma_from_return_loss(return_loss_from_gamma(gamma)), gamma, rtol=1e-12)
    assert np.isclose(gamma_from_vswr(vswr_from_gamma(gamma)), gamma, rtol=1e-9)


@given(GAMMAS, GAMMAS)
def test_a_larger_reflection_is_worse_in_every_quantity(one: float, two: float) -> None:
    small, large = sorted((one, two))
    assert return_loss_from_gamma(small) >= return_loss_from_gamma(large)
    assert vswr_from_gamma(small) <= vswr_from_gamma(large)
    assert mismatch_loss_db(small) <= mismatch_loss_db(large)


@given(st.floats(1e6, 1e10), st.floats(0.01, 1e4))
def test_twice_the_distance_or_frequency_costs_six_decibels(f_hz: float, d_m: float) -> None:
    once = free_space_path_loss_db(f_hz, d_m)
    assert abs(free_space_path_loss_db(f_hz, 2 * d_m) - once - 6.0206) < 1e-4
    assert abs(free_space_path_loss_db(2 * f_hz, d_m) - once - 6.0206) < 1e-4


def test_the_ends_of_the_range_are_plain_numbers() -> None:
    assert vswr_from_gamma(0.0) == 1.0
    assert str(mismatch_loss_db(0.0)) == "0.0"
    assert vswr_from_gamma(1.0) == mismatch_loss_db(1.0) == return_loss_from_gamma(0.0) == np.inf
    assert db_from_ratio(0.0) == -np.inf


def test_arrays_stay_arrays_and_numbers_numbers() -> None:
    assert isinstance(ratio_from_db(3.0), float)
    np.testing.assert_allclose(
        vswr_from_gamma(np.array([0.0, 1 / 3, 0.5])), [1.0, 2.0, 3.0], rtol=1e-12
    )
    assert wavelength_m(299_792_458.0) == 1.0
