"""Where curves under drawn noise cross a level.

Where a curve runs along the level, the noise all along it decides that, not the noise at one point.
"""

from __future__ import annotations

import math

import numpy as np

from benchd.reduce.uneven import is_even
from benchd.traces import FloatArray


def crossings(
    outwards_hz: FloatArray,
    squared: FloatArray,
    drawn: FloatArray,
    level: float,
    spread: FloatArray,
    points: int,
    rng: np.random.Generator,
) -> tuple[FloatArray, float]:
    """Where each draw first rises to its reading, and the median of where it rises to the level.

    squared: the smoothed curve from the dip outwards, shape (n,). drawn: readings, shape (trials,).
    spread: of the noise left in it, shape (n,); points: over how many that noise hangs together,
    in steps of the grid (on an uneven one its smallest). The noise is drawn anew along the curve,
    since far from the crossing it decides whether a curve that runs along the level has crossed it
    already.
    """
    along = np.arange(squared.size, dtype=np.float64)
    away_hz = np.abs(outwards_hz - outwards_hz[0])
    if not is_even(away_hz):
        along = away_hz / np.diff(away_hz).min()
    knots = max(2, math.ceil(along[-1] / (points / 2.0)) + 1)
    places = np.linspace(0.0, along[-1], knots)
    between = np.array([np.interp(along, places, row) for row in np.eye(knots)])
    between /= np.sqrt((between**2).sum(axis=0))
    curves = squared + spread * (rng.standard_normal((drawn.size, knots)) @ between)
    rising = np.maximum.accumulate(squared)
    # Noise makes a curve cross early more often than late. The measured curve may be the one that
    # noise has made cross early: in every other draw the shift is taken the other way.
    way = np.where(np.arange(drawn.size) % 2, -1.0, 1.0)

    def shifted(sizes: FloatArray) -> FloatArray:
        there = np.interp(sizes, rising, outwards_hz)
        return there + way * (_first_at(outwards_hz, curves, sizes) - there)

    return shifted(drawn**2), float(np.median(shifted(np.full(drawn.size, level**2))))


def _first_at(outwards_hz: FloatArray, curves: FloatArray, sizes: FloatArray) -> FloatArray:
    """Where each curve, shape (trials, n), first reaches its size; the last frequency if none."""
    if outwards_hz.size == 1:  # the dip lies at the end of the sweep
        return np.full(sizes.size, outwards_hz[0])
    reached = curves >= sizes[:, np.newaxis]
    reached[:, -1] = True
    right = np.maximum(np.argmax(reached, axis=1), 1)
    row = np.arange(sizes.size)
    before, after = curves[row, right - 1], curves[row, right]
    with np.errstate(divide="ignore", invalid="ignore"):
        share = np.clip((sizes - before) / (after - before), 0.0, 1.0)
    share = np.nan_to_num(share, nan=1.0)
    found: FloatArray = outwards_hz[right - 1] * (1.0 - share) + outwards_hz[right] * share
    return found
