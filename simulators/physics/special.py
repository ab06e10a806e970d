"""Functions that NumPy lacks: sine, cosine and exponential integrals, and a cubic spline.

Formulas are those of Abramowitz and Stegun, Handbook of Mathematical Functions (1964), chapter 5,
named by their numbers.
"""

from __future__ import annotations

from functools import cache
from typing import Any, cast

import numpy as np
from numpy.polynomial import chebyshev
from numpy.typing import ArrayLike, NDArray

FloatArray = NDArray[np.float64]
ComplexArray = NDArray[np.complex128]

_EULER = 0.57721566490153286061
_NEAR = 4.0  # up to here the power series, above the auxiliary functions
_SERIES_TERMS = 15
_FRACTION_TERMS = 400
_CHEBYSHEV_TERMS = 28
_E1_NEAR = 2.0
_E1_SERIES_TERMS = 32
_E1_FRACTION_TERMS = 120


def sine_cosine_integrals(x: ArrayLike) -> tuple[FloatArray, FloatArray]:
    """Si(x) and Ci(|x|) of real numbers, of the shape of `x`. Ci(0) is -inf.

    Si(x) = integral of sin(t)/t from 0 to x (5.2.1); Ci(x) = Euler's constant + ln x + integral of
    (cos(t) - 1)/t from 0 to x (5.2.2). Errors stay below 1e-12.
    """
    signed = np.asarray(x, dtype=np.float64)
    size = np.abs(signed)
    sine, cosine = np.empty_like(size), np.empty_like(size)
    near = size <= _NEAR
    sine[near], cosine[near] = _by_series(size[near])
    far = ~near
    sine[far], cosine[far] = _by_auxiliary(size[far])
    return np.where(signed < 0, -sine, sine), cosine


def _by_series(x: FloatArray) -> tuple[FloatArray, FloatArray]:
    """5.2.14 and 5.2.16: power series, by Horner's rule in x squared."""
    square = x * x
    sine, cosine = np.zeros_like(x), np.zeros_like(x)
    for n in range(_SERIES_TERMS, 0, -1):
        sine = -square * (1 / (2 * n + 1) + sine) / ((2 * n) * (2 * n + 1))
        cosine = -square * (1 / (2 * n) + cosine) / ((2 * n - 1) * (2 * n))
    with np.errstate(divide="ignore"):
        logarithm = np.log(x)
    return x * (1.0 + sine), _EULER + logarithm + cosine


def _by_auxiliary(x: FloatArray) -> tuple[FloatArray, FloatArray]:
    """5.2.8 and 5.2.9: Si = pi/2 - f cos x - g sin x, Ci = f sin x - g cos x."""
    if not x.size:
        return x, x
    at = 2.0 * (_NEAR / x) ** 2 - 1.0
    of_f, of_g = _auxiliary_coefficients()
    f = chebyshev.chebval(at, of_f) / x
    g = chebyshev.chebval(at, of_g) / (x * x)
    cos, sin = np.cos(x), np.sin(x)
    return np.pi / 2 - f * cos - g * sin, f * sin - g * cos


@cache
def _auxiliary_coefficients() -> tuple[FloatArray, FloatArray]:
    """Chebyshev series of x f(x) and x^2 g(x) over (4/x)^2, both smooth from 0 to 1.

    Interpolated at the Chebyshev points, where the continued fraction of E1 (5.1.22) gives the
    values: E1(jx) = e^(-jx) (g - j f), by 5.2.6 to 5.2.9 and 5.2.23.
    """

    def scaled(at: FloatArray) -> ComplexArray:
        x = _NEAR / np.sqrt((at + 1.0) / 2.0)
        z = 1j * x
        value = z + 2 * _FRACTION_TERMS + 1
        for n in range(_FRACTION_TERMS, 0, -1):
            value = z + 2 * n - 1 - n * n / value
        return np.asarray(1.0 / value)

    def of_f(at: FloatArray) -> FloatArray:
        return np.asarray(-scaled(at).imag * _NEAR / np.sqrt((at + 1.0) / 2.0))

    def of_g(at: FloatArray) -> FloatArray:
        return np.asarray(scaled(at).real * _NEAR**2 / ((at + 1.0) / 2.0))

    interpolate = cast(Any, chebyshev.chebinterpolate)
    return (
        np.asarray(interpolate(of_f, _CHEBYSHEV_TERMS - 1)),
        np.asarray(interpolate(of_g, _CHEBYSHEV_TERMS - 1)),
    )


def exponential_integral(x: ArrayLike) -> FloatArray:
    """E1(x) = integral of e^-t/t from x to infinity (5.1.1), for x > 0; relative error 1e-13."""
    size = np.asarray(x, dtype=np.float64)
    found = np.empty_like(size)
    near = size <= _E1_NEAR
    small, large = size[near], size[~near]
    series = np.zeros_like(small)  # 5.1.11
    for n in range(_E1_SERIES_TERMS, 0, -1):
        series = -small * (1 / n + series) / n
    found[near] = -_EULER - np.log(small) - series
    value = large + 2 * _E1_FRACTION_TERMS + 1  # 5.1.22
    for n in range(_E1_FRACTION_TERMS, 0, -1):
        value = large + 2 * n - 1 - n * n / value
    found[~near] = np.exp(-large) / value
    return found


class CubicSpline:
    """A cubic spline through given points, with "not-a-knot" ends.

    The first two pieces are one cubic, and so are the last two (de Boor, A Practical Guide to
    Splines, chapter IV). Beyond the ends the outer pieces go on.
    """

    def __init__(self, x: ArrayLike, values: ArrayLike) -> None:
        """x: shape (n,), rising, n at least 4. values: shape (n,), real or complex."""
        self._x = np.asarray(x, dtype=np.float64)
        given = np.asarray(values)
        self._y = given.astype(np.complex128 if np.iscomplexobj(given) else np.float64)
        if self._x.size < 4 or self._x.shape != self._y.shape or np.any(np.diff(self._x) <= 0):
            raise ValueError("a spline needs four or more rising places with one value each")
        self._slope = self._slopes()

    def _slopes(self) -> NDArray[Any]:
        """First derivative at each point: one tridiagonal system, solved from above."""
        step = np.diff(self._x)
        secant = np.diff(self._y) / step
        count = self._x.size
        low, middle, high = np.empty(count), np.empty(count), np.empty(count)
        right = np.empty(count, dtype=self._y.dtype)
        low[1:-1], high[1:-1] = step[1:], step[:-1]
        middle[1:-1] = 2 * (step[:-1] + step[1:])
        right[1:-1] = 3 * (step[1:] * secant[:-1] + step[:-1] * secant[1:])
        wide = self._x[2] - self._x[0]
        middle[0], high[0] = step[1], wide
        right[0] = ((step[0] + 2 * wide) * step[1] * secant[0] + step[0] ** 2 * secant[1]) / wide
        wide = self._x[-1] - self._x[-3]
        low[-1], middle[-1] = wide, step[-2]
        right[-1] = (
            step[-1] ** 2 * secant[-2] + (2 * wide + step[-1]) * step[-2] * secant[-1]
        ) / wide
        for n in range(1, count):
            factor = low[n] / middle[n - 1]
            middle[n] -= factor * high[n - 1]
            right[n] -= factor * right[n - 1]
        slope = np.empty_like(right)
        slope[-1] = right[-1] / middle[-1]
        for n in range(count - 2, -1, -1):
            slope[n] = (right[n] - high[n] * slope[n + 1]) / middle[n]
        return slope

    def __call__(self, at: ArrayLike) -> NDArray[Any]:
        """Values at any places, of the shape of `at`."""
        places = np.asarray(at, dtype=np.float64)
        piece = np.clip(np.searchsorted(self._x, places, side="right") - 1, 0, self._x.size - 2)
        step = self._x[piece + 1] - self._x[piece]
        t = (places - self._x[piece]) / step
        first, last = self._y[piece], self._y[piece + 1]
        out, into = self._slope[piece] * step, self._slope[piece + 1] * step
        rise = last - first
        return np.asarray(
            first + t * (out + t * (3 * rise - 2 * out - into + t * (out + into - 2 * rise)))
        )
