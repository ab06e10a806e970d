"""The difference of two stored return losses over frequency, without the errors that both share.

At each of some frequencies both reflections are drawn under the same errors of coupler and baseline
(`benchd.reduce.revisions`); between these the interval is interpolated.
"""

from __future__ import annotations

import math

import numpy as np

from benchd.curves import Curve
from benchd.errors import ReductionRefused
from benchd.known.captures import BenchKnowledge
from benchd.quantities import DIFFERENCE
from benchd.reduce.reflection import reflection_results
from benchd.reduce.revision_readings import Looked, at_frequency
from benchd.reduce.revisions import Pair
from benchd.reductions.reflection import INTERVAL_POINTS
from benchd.reductions.stored_reflection import LookedAgain, looked_again, over_one_coupler
from benchd.results import Result
from benchd.traces import FloatArray, Form, Trace

RETURN_LOSS = "return_loss"

MOST_POINTS = 2001
"""Number of points that the difference itself is given at, at most."""


def difference_curve(known: BenchKnowledge, first: Result, second: Result) -> Curve:
    """Return loss of the second less that of the first, dB, where both were measured.

    first, second: results of reflections, whose captures are reduced again. An end of the interval
    is infinite where there is none, and NaN where nothing can be told.
    Raises ReductionRefused unless both were measured over one coupler and at common frequencies.
    """
    one, other = looked_again(known, first), looked_again(known, second)
    if one is None or other is None:
        raise ReductionRefused(
            "the captures of both must be stored, each with its baselines, to draw their difference"
        )
    if not over_one_coupler(one, other):
        raise ReductionRefused(
            "the two were not measured over the same parts, so that they do not share their errors",
            advice="Measure both on one route with the same cables.",
        )
    grid = _common_grid(one.looked, other.looked)
    picks_hz = _picks(grid)
    pair = Pair(one.looked, other.looked)
    ends = [_ends_at(pair, one, other, float(at_hz)) for at_hz in picks_hz]
    values_db = _return_loss(other.looked, grid) - _return_loss(one.looked, grid)
    low_db, high_db = (
        np.interp(grid, picks_hz, [values[number] for values in ends]) for number in (0, 1)
    )
    return Curve(
        f"{RETURN_LOSS}{DIFFERENCE}",
        Trace(f"{RETURN_LOSS}{DIFFERENCE}", Form.RATIO_DB, grid, values_db),
        low=values_db + low_db,
        high=values_db + high_db,
        antenna=second.antenna,
    )


def _common_grid(one: Looked, other: Looked) -> FloatArray:
    """The frequencies of the second trace that the first covers too, thinned to MOST_POINTS."""
    grid = other.frequency_hz
    inside = grid[(grid >= one.frequency_hz[0]) & (grid <= one.frequency_hz[-1])]
    if inside.size < 2:
        raise ReductionRefused("the two were measured at different frequencies")
    step = math.ceil(inside.size / MOST_POINTS)
    found: FloatArray = inside[::step]
    return found


def _picks(grid: FloatArray) -> FloatArray:
    places = np.linspace(0, grid.size - 1, min(INTERVAL_POINTS, grid.size))
    found: FloatArray = grid[np.unique(places.astype(int))]
    return found


def _return_loss(looked: Looked, grid: FloatArray) -> FloatArray:
    found: FloatArray = -np.interp(grid, looked.frequency_hz, looked.ratio_db)
    return found


def _ends_at(pair: Pair, one: LookedAgain, other: LookedAgain, at_hz: float) -> tuple[float, float]:
    """How far the ends of the interval lie from the difference at one frequency, dB."""
    read = [
        reflection_results(
            side.looked.frequency_hz,
            side.looked.ratio_db,
            [at_hz],
            side.looked.known_at(at_hz),
            quantities=[RETURN_LOSS],
        )[0]
        for side in (one, other)
    ]
    readings = at_frequency(RETURN_LOSS, at_hz), at_frequency(RETURN_LOSS, at_hz)
    try:
        found = pair.difference(read[0], read[1], readings)
    except ReductionRefused:
        return math.nan, math.nan
    low = -math.inf if found.low is None else found.low - found.value
    high = math.inf if found.high is None else found.high - found.value
    return low, high
