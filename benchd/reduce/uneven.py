"""Traces whose frequencies do not lie evenly: those of sweeps that refine, or that lack some bins.

What looks at neighbours by their number on an even grid must look at them by their distance here.
A window is then as wide, in Hz, as it would be on the even grid of the smallest step. Where the
readings lie farther apart than that, nothing is averaged.
"""

from __future__ import annotations

import math

import numpy as np

from benchd.reduce.decibels import NEPER_DB
from benchd.traces import FloatArray

UNEVEN = 1e-3
"""Steps that differ by more than this, relative to the smallest, are uneven. Frequencies are whole
hertz, so even steps differ by one."""

DENSEST_SHARE = 0.25
"""The roughness is told by the closest of the fours of neighbours, so many of them: where readings
lie far apart, the curve itself bends between them."""
LEAST_FOURS = 8


def is_even(frequency_hz: FloatArray) -> bool:
    """Whether all steps are alike."""
    steps_hz = np.diff(frequency_hz)
    return steps_hz.size < 2 or float(np.ptp(steps_hz)) <= UNEVEN * float(steps_hz.min())


def even_size(frequency_hz: FloatArray) -> int:
    """Number of points of the even grid of the smallest step, over the same span."""
    if frequency_hz.size < 2:
        return int(frequency_hz.size)
    span_hz = float(frequency_hz[-1] - frequency_hz[0])
    return 1 + round(span_hz / float(np.diff(frequency_hz).min()))


def smoothed(
    frequency_hz: FloatArray, values: FloatArray, points: int, order: int
) -> tuple[FloatArray, FloatArray]:
    """Values of polynomials fitted to the neighbours, and the share of one value's variance that is
    left in each, shape (n,).

    points: width of the window, in steps of the even grid. order: of the polynomial; 1 gives the
    running mean of an even grid, 2 what `bent_weights` gives there.
    """
    found, share = values.copy(), np.ones(values.size)
    if values.size < 2:
        return found, share
    reach_hz = (points // 2) * float(np.diff(frequency_hz).min()) * (1.0 + UNEVEN)
    first = np.searchsorted(frequency_hz, frequency_hz - reach_hz)
    last = np.searchsorted(frequency_hz, frequency_hz + reach_hz, side="right")
    for index, (low, high) in enumerate(zip(first.tolist(), last.tolist(), strict=True)):
        if high - low < order + 2:
            continue
        away = (frequency_hz[low:high] - frequency_hz[index]) / reach_hz
        weights = np.linalg.pinv(np.vander(away, order + 1, increasing=True))[0]
        found[index] = float(weights @ values[low:high])
        share[index] = min(1.0, float(weights @ weights))
    return found, share


def roughness_db(ratio_db: FloatArray, frequency_hz: FloatArray | None = None) -> float:
    """Standard deviation of one point of a smooth trace, shape (n,), from third differences.

    Third differences of white noise have variance 20; their median ignores a sharp notch
    (0.6745: median of |x| of a standard normal x). Zero for fewer than 8 points.
    frequency_hz: where they lie, if that may be unevenly.
    """
    if ratio_db.size < 8:
        return 0.0
    if frequency_hz is not None and not is_even(frequency_hz):
        return _roughness(frequency_hz, ratio_db)
    rough = np.abs(np.diff(ratio_db, n=3))
    return float(np.median(rough) / (0.6745 * math.sqrt(20.0)))


def _roughness(frequency_hz: FloatArray, values_db: FloatArray) -> float:
    """Standard deviation of one value, dB, by the third differences of the closest neighbours.

    A divided third difference takes the values by the weights w = 1/product(f_i - f_j) (Newton's
    form), which on an even grid are 1, -3, 3, -1. It is taken of the powers p and not of the levels
    in dB: the readings lie closest at the bottom of a dip, where p is a parabola, whose third
    difference is nothing, and a level in dB is a spike. Noise of s dB in each value gives it the
    standard deviation s/4.343 sqrt(sum (w p)^2) (propagation of errors). 0.6745 is the median of
    |x| of a standard normal x.
    """
    count = values_db.size - 3
    f = np.stack([frequency_hz[start : start + count] for start in range(4)])
    power = 10.0 ** ((values_db - values_db.max()) / 10.0)
    p = np.stack([power[start : start + count] for start in range(4)])
    scale_hz = f[3] - f[0]
    apart = (f[:, None, :] - f[None, :, :]) / scale_hz
    apart[np.arange(4), np.arange(4)] = 1.0
    weighted = p / np.prod(apart, axis=1)
    rough = np.abs(weighted.sum(axis=0)) / np.sqrt(np.sum(weighted**2, axis=0))
    kept = max(LEAST_FOURS, math.ceil(DENSEST_SHARE * count))
    closest = np.argsort(scale_hz, kind="stable")[:kept]
    return NEPER_DB / 2.0 * float(np.median(rough[closest])) / 0.6745
