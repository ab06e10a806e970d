"""Student's t, chi-square and F distributions, without a statistics library.

Sources: NIST Digital Library of Mathematical Functions (DLMF) 8.17.4 and 8.17.22 for the
incomplete beta function, 8.11.4 and 8.9.2 for the incomplete gamma function; Abramowitz and Stegun
26.7.1 (Student's t), 26.4.19 (chi-square) and 26.6.2 (F), by those functions.
Degrees of freedom may be fractional, as Welch-Satterthwaite gives them.
"""

from __future__ import annotations

import math
from functools import lru_cache
from statistics import NormalDist

_NORMAL = NormalDist()
_AS_GOOD_AS_NORMAL = 1e7  # the quantile then differs from the normal one by less than 1e-6


def incomplete_beta(x: float, a: float, b: float) -> float:
    """Regularised incomplete beta function I_x(a, b), for 0 <= x <= 1 and a, b > 0."""
    if x <= 0.0:
        return 0.0
    if x >= 1.0:
        return 1.0
    if x > (a + 1.0) / (a + b + 2.0):
        # The fraction converges fast only below this point; DLMF 8.17.4 mirrors it.
        return 1.0 - incomplete_beta(1.0 - x, b, a)
    log_front = (
        math.lgamma(a + b) - math.lgamma(a) - math.lgamma(b) + a * math.log(x) + b * math.log1p(-x)
    )
    return math.exp(log_front) / (a * _beta_fraction(x, a, b))


def _beta_fraction(x: float, a: float, b: float) -> float:
    """1 + d1/(1 + d2/(1 + ...)) of DLMF 8.17.22, by the modified Lentz method."""
    tiny = 1e-300  # keeps a vanishing partial denominator from dividing by zero
    value, numerator, denominator = 1.0, 1.0, 0.0
    for step in range(1, 20_000):
        m = step // 2
        if step % 2:
            d = -(a + m) * (a + b + m) * x / ((a + 2 * m) * (a + 2 * m + 1))
        else:
            d = m * (b - m) * x / ((a + 2 * m - 1) * (a + 2 * m))
        denominator = 1.0 / _nonzero(1.0 + d * denominator, tiny)
        numerator = _nonzero(1.0 + d / numerator, tiny)
        change = numerator * denominator
        value *= change
        if abs(change - 1.0) < 1e-15:
            break
    return value


def _nonzero(value: float, tiny: float) -> float:
    return value if abs(value) > tiny else tiny


def t_cumulative(t: float, degrees_of_freedom: float) -> float:
    """P(T <= t) for Student's t with `degrees_of_freedom` > 0."""
    x = degrees_of_freedom / (degrees_of_freedom + t * t)
    tail = 0.5 * incomplete_beta(x, degrees_of_freedom / 2.0, 0.5)
    return tail if t < 0 else 1.0 - tail


@lru_cache(maxsize=4096)
def t_quantile(probability: float, degrees_of_freedom: float) -> float:
    """The t with P(T <= t) = probability, 0 < probability < 1; normal for infinite freedom.

    Raises ValueError outside these ranges.
    """
    if not 0.0 < probability < 1.0 or not degrees_of_freedom > 0.0:
        raise ValueError(
            f"no t quantile for probability {probability}, freedom {degrees_of_freedom}"
        )
    if probability < 0.5:
        return -t_quantile(1.0 - probability, degrees_of_freedom)
    if degrees_of_freedom > _AS_GOOD_AS_NORMAL:
        return _NORMAL.inv_cdf(probability)
    low, high = 0.0, 1.0
    while t_cumulative(high, degrees_of_freedom) < probability:
        low, high = high, high * 2.0
    # Newton's method, which needs only a few steps. If a step leaves the bracket, the middle of the
    # bracket is used instead.
    found = 0.5 * (low + high)
    while high - low > 1e-13 * max(1.0, high):
        off = t_cumulative(found, degrees_of_freedom) - probability
        low, high = (found, high) if off < 0.0 else (low, found)
        step = off / _density(found, degrees_of_freedom)
        if abs(step) < 1e-14 * max(1.0, found):
            return found - step
        found = found - step if low < found - step < high else 0.5 * (low + high)
    return 0.5 * (low + high)


def _density(t: float, degrees_of_freedom: float) -> float:
    """Density of Student's t (Abramowitz and Stegun 26.7.2, from memory)."""
    v = degrees_of_freedom
    front = math.lgamma((v + 1.0) / 2.0) - math.lgamma(v / 2.0) - 0.5 * math.log(v * math.pi)
    return math.exp(front - 0.5 * (v + 1.0) * math.log1p(t * t / v))


def coverage_factor(degrees_of_freedom: float, coverage: float = 0.95) -> float:
    """k such that estimate +- k u contains the stated share (JCGM 100, G.3.2)."""
    return t_quantile(0.5 + coverage / 2.0, degrees_of_freedom)


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
