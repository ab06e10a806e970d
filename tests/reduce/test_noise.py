"""Noise bias: corrections undo it, in order and without surprises at the ends."""

import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from benchd.errors import ReductionRefused
from benchd.reduce.near_noise import straightened_dbm
from benchd.reduce.noise import (
    DB_PER_NAT,
    DETECTORS,
    POWER,
    bias_db,
    carrier_level_dbm,
    correction_standard_db,
    exponential_integral,
    noise_reading_dbm,
    reading_standard_db,
)


@given(st.sampled_from(DETECTORS), st.floats(-10, 60), st.floats(-120, -60))
def test_the_correction_undoes_the_bias(detector: str, ratio_db: float, noise_dbm: float) -> None:
    reading_dbm = noise_dbm + ratio_db + bias_db(ratio_db, detector)
    # Far below the noise the reading hardly depends on the carrier: 1e-12 dB of rounding there
    # are 1e-10 dB of carrier.
    assert carrier_level_dbm(reading_dbm, noise_dbm, detector) == pytest.approx(
        noise_dbm + ratio_db, abs=1e-6
    )


@given(st.sampled_from(DETECTORS), st.floats(-10, 40), st.floats(0.1, 10))
def test_bias_and_spread_shrink_as_the_carrier_rises(
    detector: str, ratio_db: float, more_db: float
) -> None:
    assert bias_db(ratio_db + more_db, detector) <= bias_db(ratio_db, detector)
    spread = reading_standard_db(ratio_db, detector, 10)
    assert reading_standard_db(ratio_db + more_db, detector, 10) < spread
    assert reading_standard_db(ratio_db, detector, 40) == pytest.approx(spread / 2)


@pytest.mark.parametrize("detector", DETECTORS)
def test_a_reading_of_noise_alone_holds_no_carrier(detector: str) -> None:
    alone = noise_reading_dbm(-90.0, detector)
    assert carrier_level_dbm(alone, -90.0, detector) == -math.inf
    assert carrier_level_dbm(alone - 1.0, -90.0, detector) == -math.inf


def test_a_peak_detector_is_refused_with_what_is_known() -> None:
    with pytest.raises(ReductionRefused, match='"peak" is unknown, expected one of rms, log-aver'):
        bias_db(10.0, "peak")
    with pytest.raises(ValueError, match="positive argument"):
        exponential_integral(0.0)


@pytest.mark.parametrize("ratio_db", [15.0, 25.0, 40.0])
def test_a_power_meters_noise_shifts_nothing_and_spreads_as_much_as_it_does(
    ratio_db: float,
) -> None:
    """Against drawn readings: a carrier of 1 with normal noise of the size N, as powers."""
    noise = 10.0 ** (-ratio_db / 10.0)
    drawn = np.random.default_rng(7).normal(1.0, noise, (100_000, 4)).mean(axis=1)
    levels_db = 10.0 * np.log10(drawn)
    assert bias_db(ratio_db, POWER) == 0.0
    assert carrier_level_dbm(-20.0, -20.0 - ratio_db, POWER) == -20.0
    # The standard deviation of 100,000 draws is known to 0.3 %; the bend of the logarithm adds
    # 0.1 % at 15 dB.
    assert reading_standard_db(ratio_db, POWER, 4) == pytest.approx(np.std(levels_db), rel=0.01)
    # A zero that is off by N x moves a level by 4.343 N x.
    moved_db = 10.0 * math.log10(1.0 + 0.5 * noise)
    found_db = correction_standard_db(ratio_db, POWER, 0.5 * DB_PER_NAT)
    assert found_db == pytest.approx(moved_db, rel=0.01)


def test_a_power_meters_levels_near_its_noise_are_even_about_the_truth() -> None:
    """7 dB over its noise, levels in dB would read 0.2 dB low in the mean."""
    noise, truth_dbm = 10.0**-0.7, -20.0
    powers = np.random.default_rng(11).normal(1.0, noise, (4000, 5))
    levels_dbm = truth_dbm + 10.0 * np.log10(np.abs(powers))
    told = [straightened_dbm(row, truth_dbm - 7.0, POWER, 1.0, 2) for row in levels_dbm]
    assert None not in told
    # Standard deviation of the mean of 4000 levels: 0.015 dB; of the neighbourhood's bend 0.02 dB.
    assert np.mean(np.array(told, dtype=float)) == pytest.approx(truth_dbm, abs=0.06)


def test_a_power_meters_reading_that_is_only_noise_holds_no_carrier() -> None:
    assert noise_reading_dbm(-60.0, POWER) == -60.0
    assert carrier_level_dbm(-60.0, -60.0, POWER) == -math.inf
