"""What the last sweeps of a live look tell together: how much they differ, and where the dip is."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from benchd.traces import FloatArray


@dataclass(frozen=True, eq=False)
class Spread:
    """How much sweeps of one thing differ, at each frequency, shape (n,), dB.

    deviation_db: one standard deviation above the mean, as a ratio to the mean.
    range_db: the largest magnitude over the smallest.
    """

    deviation_db: FloatArray
    range_db: FloatArray


def spread_of(sweeps_db: FloatArray) -> Spread:
    """The spread of sweeps, shape (sweeps, n), in dB; at least two sweeps.

    It is worked out of linear magnitudes, m = 10^(x/20), since a sum of waves (the antenna's own
    and one that a person reflects) changes the magnitude and not its logarithm. The deviation is
    20 lg(1 + s/m) with the standard deviation s (n - 1 in the divisor) and the mean m of the
    magnitudes; for small s that is 8.686 s/m dB. Raises ValueError for less than two sweeps.
    """
    if sweeps_db.ndim != 2 or sweeps_db.shape[0] < 2:
        raise ValueError(f"a spread needs two sweeps or more, found the shape {sweeps_db.shape}")
    magnitude = 10.0 ** (sweeps_db / 20.0)
    mean = np.mean(magnitude, axis=0)
    deviation = np.std(magnitude, axis=0, ddof=1)
    largest, smallest = np.max(magnitude, axis=0), np.min(magnitude, axis=0)
    return Spread(20.0 * np.log10(1.0 + deviation / mean), 20.0 * np.log10(largest / smallest))


def lowest_point(frequency_hz: FloatArray, level_db: FloatArray) -> tuple[float, float]:
    """Frequency (Hz) and level (dB) of the lowest point, between the points of the grid.

    A parabola through the lowest point and its two neighbours, on any grid (three-point
    interpolation, common practice, no source). At an end of the sweep it is the point itself. It
    is for the eye only: it has no interval, and a wide dip's resonance may lie beside it.
    """
    index = int(np.argmin(level_db))
    at_hz, low_db = float(frequency_hz[index]), float(level_db[index])
    if index in (0, level_db.size - 1):
        return at_hz, low_db
    left_hz, right_hz = (frequency_hz[index + one] - at_hz for one in (-1, 1))
    left_db, right_db = (level_db[index + one] - low_db for one in (-1, 1))
    # y = a x^2 + b x through (left_hz, left_db), (0, 0) and (right_hz, right_db)
    curvature = (right_db / right_hz - left_db / left_hz) / (right_hz - left_hz)
    if curvature <= 0.0:
        return at_hz, low_db
    slope = right_db / right_hz - curvature * right_hz
    shift_hz = -slope / (2.0 * curvature)
    return float(at_hz + shift_hz), float(low_db - slope * slope / (4.0 * curvature))
