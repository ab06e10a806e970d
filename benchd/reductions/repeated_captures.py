"""Many captures, taken the same way, as one array over repeats and frequency."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from benchd.bench import Bench
from benchd.curves import Curve
from benchd.errors import ReductionRefused
from benchd.reduce.compatibility import description, differences
from benchd.traces import Capture, FloatArray, Form, Trace

REPORTED_POINTS = 21
"""Number of frequencies at which a qualification reports. What it measures changes slowly
(couplers, connectors, boxes), so that budgets can interpolate between them."""


def stacked(taken: Sequence[Capture], step: str, like: Capture | None = None) -> FloatArray:
    """Levels in dBm, shape (captures, n).

    step: the step's label, for error messages. Raises ReductionRefused if a capture was taken in
    another way than the first, or than `like`.
    """
    first = like or taken[0]
    for capture in taken:
        apart = differences(description(first), description(capture))
        if apart:
            raise ReductionRefused(
                f'"{capture.step}" was taken otherwise than "{first.step}", which is called the '
                f"baseline here: {'; '.join(apart)}",
                where=step,
                advice="Take all captures of one qualification with the same settings.",
            )
    return np.array([capture.level.decibels for capture in taken], dtype=float)


def grid_of(capture: Capture) -> FloatArray:
    """The frequencies of a capture, Hz."""
    return capture.level.frequency_hz


def reported_hz(asked_hz: Sequence[float] | None, frequency_hz: FloatArray) -> list[float]:
    """The requested frequencies, and some of the grid, so that budgets can interpolate later."""
    places = np.linspace(0, frequency_hz.size - 1, min(REPORTED_POINTS, frequency_hz.size))
    some = frequency_hz[np.unique(np.round(places).astype(int))].tolist()
    return sorted({*(asked_hz or ()), *some})


def curve(
    quantity: str,
    frequency_hz: FloatArray,
    values_db: FloatArray,
    *,
    low: FloatArray | None = None,
    high: FloatArray | None = None,
    part: str = "",
    antenna: str | None = None,
) -> Curve:
    """A curve in dB over frequency; arrays of shape (n,)."""
    trace = Trace(quantity, Form.RATIO_DB, frequency_hz, values_db)
    return Curve(quantity, trace, low, high, antenna, part)


def noise_dbm(capture: Capture, frequency_hz: FloatArray) -> FloatArray | None:
    """The analyzer's reading with RF off, dBm, interpolated on a grid; None if it was not taken."""
    for trace in capture.traces:
        if trace.name == "noise":
            level = np.interp(frequency_hz, trace.frequency_hz, trace.decibels)
            return np.asarray(level, dtype=np.float64)
    return None


def linearity_db(bench: Bench, capture: Capture) -> tuple[float, bool]:
    """Half-width of the analyzer's scale error, and whether the bench file states it."""
    stated = bench.analyzer_of(bench.routes[capture.route]).linearity_db
    # If the bench file does not state it, the default of `benchd.reduce.budget_inputs` is used.
    return (0.3, False) if stated is None else (stated, True)
