"""CW near noise: printed values, and scipy's noncentral chi-squared law by quadrature."""

import math

import numpy as np
import pytest
from scipy import integrate, special, stats

from benchd.reduce.noise import (
    bias_db,
    exponential_integral,
    log_variance,
    noise_reading_dbm,
    reading_standard_db,
)


def test_the_exponential_integral_agrees_with_scipy() -> None:
    """Source: scipy.special.exp1, both branches."""
    for x in np.geomspace(1e-4, 100.0, 60):
        assert exponential_integral(float(x)) == pytest.approx(special.exp1(x), rel=1e-12)


@pytest.mark.parametrize(
    ("ratio_db", "rms_db", "log_db"), [(0.0, 3.01, 0.953), (10.0, 0.414, 0.00002)]
)
def test_bias_near_noise_as_published(ratio_db: float, rms_db: float, log_db: float) -> None:
    """Source: application literature on CW signals near noise; arithmetic: 4.343 E1, 10 lg."""
    assert round(bias_db(ratio_db, "rms"), _digits(rms_db)) == rms_db
    assert round(bias_db(ratio_db, "log-average"), _digits(log_db)) == log_db


def _digits(value: float) -> int:
    return len(f"{value:f}".rstrip("0").split(".")[1])


def test_noise_alone_reads_2_507_db_low_on_a_log_average() -> None:
    """Source: 10/ln 10 times Euler's constant; in every text on spectrum analysis."""
    assert noise_reading_dbm(-100.0, "log-average") == pytest.approx(-102.507, abs=5e-4)
    assert noise_reading_dbm(-100.0, "rms") == -100.0


@pytest.mark.parametrize("gamma", [0.05, 0.5, 1.0, 4.0, 20.0])
def test_mean_and_variance_of_the_logarithm_agree_with_quadrature(gamma: float) -> None:
    """Source: scipy.stats.ncx2 with two degrees of freedom, noncentrality 2 gamma."""
    law = stats.ncx2(2, 2 * gamma)

    def moment(power: int) -> float:
        value, _ = integrate.quad(
            lambda t: t**power * law.pdf(2 * math.exp(t)) * 2 * math.exp(t), -25, 8, limit=400
        )
        return float(value)

    mean, square = moment(1), moment(2)
    assert bias_db(10 * math.log10(gamma), "log-average") == pytest.approx(
        10 / math.log(10) * (mean - math.log(gamma)), abs=1e-6
    )
    assert log_variance(gamma) == pytest.approx(square - mean**2, rel=1e-6)


def test_log_variance_of_noise_alone_and_far_above_it() -> None:
    """Source: pi^2/6 (5.57 dB) for noise alone; 2/gamma for a strong carrier."""
    assert 10 / math.log(10) * math.sqrt(log_variance(0.0)) == pytest.approx(5.570, abs=1e-3)
    # Both sides of the switch to the asymptotic form.
    assert log_variance(399.9) == pytest.approx(log_variance(400.1), rel=1e-3)
    assert log_variance(1e5) == pytest.approx(2e-5, rel=1e-4)


@pytest.mark.parametrize("detector", ["rms", "log-average"])
@pytest.mark.parametrize("ratio_db", [0.0, 10.0, 25.0])
def test_the_stated_spread_is_that_of_simulated_readings(detector: str, ratio_db: float) -> None:
    """Source: Rician readings drawn here; 400 samples a reading keeps them in the linear range."""
    rng = np.random.default_rng(3)
    amplitude = 10 ** (ratio_db / 20)
    noise = rng.normal(size=(3000, 400)) + 1j * rng.normal(size=(3000, 400))
    power = np.abs(amplitude + noise / math.sqrt(2)) ** 2
    if detector == "rms":
        carrier_db = 10 * np.log10(power.mean(axis=1) - 1.0)
    else:
        average = (10 * np.log10(power)).mean(axis=1)
        grid = np.linspace(-20, 40, 6001)
        curve = [g + bias_db(float(g), detector) for g in grid]
        carrier_db = np.interp(average, curve, grid)
    # 3000 readings tell a standard deviation to 1.3 % (1 sigma).
    assert carrier_db.std() == pytest.approx(reading_standard_db(ratio_db, detector, 400), rel=0.05)
    assert carrier_db.mean() == pytest.approx(ratio_db, abs=0.03)
