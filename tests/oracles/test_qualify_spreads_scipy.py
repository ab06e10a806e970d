"""Chi-square, F and the intervals of standard deviations against scipy.stats."""

from __future__ import annotations

import numpy as np
import pytest
from scipy import stats

from benchd.reduce.distributions import (
    chi_square_cumulative,
    chi_square_quantile,
    f_exceeded,
    sd_interval,
)


@pytest.mark.parametrize("freedom", [1.0, 2.0, 3.0, 7.0, 9.5, 30.0, 200.0, 3000.0])
def test_chi_square_agrees_with_scipy(freedom: float) -> None:
    probabilities = [0.001, 0.025, 0.5, 0.95, 0.975, 0.999]
    ours = [chi_square_quantile(p, freedom) for p in probabilities]
    np.testing.assert_allclose(ours, stats.chi2.ppf(probabilities, freedom), rtol=1e-9)
    values = np.linspace(0.1, 3.0, 7) * freedom
    ours = [chi_square_cumulative(float(x), freedom) for x in values]
    np.testing.assert_allclose(ours, stats.chi2.cdf(values, freedom), rtol=1e-9, atol=1e-13)


@pytest.mark.parametrize("freedoms", [(3.0, 5.0), (40.0, 12.0), (300.0, 280.0)])
@pytest.mark.parametrize("ratio", [0.5, 1.0, 1.3, 4.0])
def test_the_f_test_agrees_with_scipy(freedoms: tuple[float, float], ratio: float) -> None:
    assert f_exceeded(ratio, *freedoms) == pytest.approx(stats.f.sf(ratio, *freedoms), rel=1e-9)


def test_the_interval_of_a_standard_deviation_holds_the_truth_in_95_of_100() -> None:
    """20,000 spreads of 8 readings; 95 % within three standard errors of 0.15 %."""
    rng = np.random.default_rng(20)
    spreads = rng.normal(0.0, 0.3, (20_000, 8)).std(axis=1, ddof=1)
    low, high = sd_interval(1.0, 7.0)
    held = np.mean((low * spreads <= 0.3) & (high * spreads >= 0.3))
    assert held == pytest.approx(0.95, abs=0.005)


def test_a_spread_of_eight_is_known_to_about_a_factor_of_two() -> None:
    """0.661 s to 2.035 s for nu = 7: chi-square table values 16.013 and 1.690 (NIST/SEMATECH
    e-Handbook of Statistical Methods, 1.3.6.7.4)."""
    low, high = sd_interval(1.0, 7.0)
    assert low == pytest.approx((7.0 / 16.013) ** 0.5, rel=1e-4)
    assert high == pytest.approx((7.0 / 1.690) ** 0.5, rel=1e-4)
