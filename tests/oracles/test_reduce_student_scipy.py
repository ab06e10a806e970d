"""Student's t and the incomplete beta function against scipy."""

import numpy as np
import pytest
from scipy import special, stats

from benchd.reduce.distributions import coverage_factor, incomplete_beta, t_cumulative, t_quantile


@pytest.mark.parametrize("freedom", [1.0, 2.0, 3.5, 7.0, 9.0, 17.7, 50.0, 109.0, 1e4, 1e6])
def test_t_quantiles_agree_with_scipy(freedom: float) -> None:
    """Source: scipy.stats.t.ppf. At a million degrees lgamma loses digits, so 1e-8."""
    for probability in (0.025, 0.3, 0.9, 0.95, 0.975, 0.995, 0.9999):
        expected = stats.t.ppf(probability, freedom)
        assert t_quantile(probability, freedom) == pytest.approx(expected, rel=1e-8)
        assert t_cumulative(expected, freedom) == pytest.approx(probability, rel=1e-9)


def test_the_incomplete_beta_function_agrees_with_scipy() -> None:
    """Source: scipy.special.betainc, over both branches of the fraction."""
    rng = np.random.default_rng(1)
    for a, b, x in zip(
        rng.uniform(0.2, 60, 200), rng.uniform(0.2, 60, 200), rng.uniform(0, 1, 200), strict=True
    ):
        assert incomplete_beta(x, a, b) == pytest.approx(special.betainc(a, b, x), abs=1e-12)


def test_coverage_factors_are_those_printed_in_the_guide() -> None:
    """Source: JCGM 100:2008, table G.2, column 95 %; infinity: 1.960."""
    printed = {1: 12.71, 2: 4.30, 5: 2.57, 10: 2.23, 20: 2.09, 50: 2.01}
    assert {n: round(coverage_factor(float(n)), 2) for n in printed} == printed
    assert coverage_factor(float("inf")) == pytest.approx(1.959964, abs=1e-6)
