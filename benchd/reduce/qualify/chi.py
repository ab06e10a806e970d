"""Chi-square and F distributions: how well a standard deviation is known.

Sources: NIST Digital Library of Mathematical Functions (DLMF) 8.11.4 and 8.9.2 for the incomplete
gamma function; Abramowitz and Stegun 26.4.19 (chi-square) and 26.6.2 (F by the incomplete beta
function).
"""

from __future__ import annotations

import math

from benchd.reduce.student import incomplete_beta


def incomplete_gamma(a: float, x: float) -> float:
    """Regularised lower incomplete gamma function P(a, x), a > 0, x >= 0."""
    if x <= 0.0:
        return 0.0
    log_front = a * math.log(x) - x - math.lgamma(a)
    if x < a + 1.0:
        # Below the mean the series of DLMF 8.11.4 converges fast.
        share, total, order = 1.0 / a, 1.0 / a, a
        while share > 1e-17 * total:
            order += 1.0
            share *= x / order
            total += share
        return math.exp(log_front) * total
    return 1.0 - math.exp(log_front) * _gamma_fraction(a, x)


def _gamma_fraction(a: float, x: float) -> float:
    """The continued fraction of DLMF 8.9.2, by the modified Lentz method."""
    tiny = 1e-300  # keeps a vanishing partial denominator from dividing by zero
    b = x + 1.0 - a
    c, d = 1.0 / tiny, 1.0 / b
    value = d
    for step in range(1, 100_000):
        factor = -step * (step - a)
        b += 2.0
        d = 1.0 / (factor * d + b or tiny)
        c = b + factor / c or tiny
        change = d * c
        value *= change
        if abs(change - 1.0) < 1e-15:
            break
    return value


def chi_square_cumulative(value: float, degrees_of_freedom: float) -> float:
    """P(chi-square <= value)."""
    return incomplete_gamma(degrees_of_freedom / 2.0, value / 2.0)


def chi_square_quantile(probability: float, degrees_of_freedom: float) -> float:
    """The value below which chi-square lies with this probability, by bisection.

    Raises ValueError for a probability outside (0, 1) or freedom that is not positive.
    """
    if not 0.0 < probability < 1.0 or not 0.0 < degrees_of_freedom < math.inf:
        raise ValueError(
            f"no chi-square quantile for probability {probability}, freedom {degrees_of_freedom}"
        )
    low, high = 0.0, max(1.0, degrees_of_freedom)
    while chi_square_cumulative(high, degrees_of_freedom) < probability:
        low, high = high, 2.0 * high
    while high - low > 1e-13 * high:
        middle = 0.5 * (low + high)
        if middle in (low, high):
            break
        if chi_square_cumulative(middle, degrees_of_freedom) < probability:
            low = middle
        else:
            high = middle
    return 0.5 * (low + high)


def sd_interval(
    sd: float, degrees_of_freedom: float, coverage: float = 0.95
) -> tuple[float, float]:
    """Ends of the interval that holds the true standard deviation, normal readings assumed.

    s sqrt(nu/chi2(1 - p)) to s sqrt(nu/chi2(p)), p half of what is left out.
    """
    tail = 0.5 * (1.0 - coverage)
    above = chi_square_quantile(1.0 - tail, degrees_of_freedom)
    below = chi_square_quantile(tail, degrees_of_freedom)
    return (
        sd * math.sqrt(degrees_of_freedom / above),
        sd * math.sqrt(degrees_of_freedom / below),
    )


def f_exceeded(ratio: float, freedom_above: float, freedom_below: float) -> float:
    """P(F > ratio) of two variances that are truly equal: small means that the first is larger."""
    if ratio <= 0.0:
        return 1.0
    x = freedom_below / (freedom_below + freedom_above * ratio)
    return incomplete_beta(x, freedom_below / 2.0, freedom_above / 2.0)
