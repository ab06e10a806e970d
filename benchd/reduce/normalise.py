"""Normalisation: dividing a capture by its baseline, which in dB is a subtraction.

`benchd.reduce.compatibility` decides whether the baseline may be used at all.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from benchd.errors import NormalisationRefused
from benchd.traces import ComplexArray, FloatArray, Form, Trace


@dataclass(frozen=True, eq=False)
class Bracket:
    """A baseline interpolated in time between an opening and a closing one.

    level_db: shape (n,), dB or dBm as the baselines were.
    drift_db: shape (n,), closing minus opening.
    leftover_db: shape (n,), half-width of the error of the straight line through time. It is half
        the drift, which covers the case that all of it happened just before or after the capture.
    """

    level_db: FloatArray
    drift_db: FloatArray
    leftover_db: FloatArray


def over_baseline_db(test_db: FloatArray, baseline_db: FloatArray) -> FloatArray:
    """Test over baseline, dB: P_test - P_baseline, both shape (n,) on the same grid.

    Raises NormalisationRefused where the shapes differ.
    """
    if test_db.shape != baseline_db.shape:
        raise NormalisationRefused(
            [f"grid: the baseline has {baseline_db.size} points, the capture {test_db.size}"]
        )
    return test_db - baseline_db


def open_short_mean_db(open_db: FloatArray, short_db: FloatArray) -> FloatArray:
    """Full-reflection baseline: mean of open and short in dB, both shape (n,).

    Directivity and source match enter open and short with opposite signs to first order, so
    that only their squares are left (common practice in scalar reflectometry; the remainder is
    in `benchd.reduce.reflectometer.baseline_leftover_db`).
    """
    return over_baseline_db(open_db, -short_db) / 2.0


def onto_grid(frequency_hz: FloatArray, values: FloatArray, target_hz: FloatArray) -> FloatArray:
    """Values of shape (n,) moved onto another grid, shape (m,), by straight lines.

    Raises NormalisationRefused where the target reaches outside; nothing is extrapolated.
    """
    slack = 1e-9 * float(frequency_hz[-1])
    if target_hz[0] < frequency_hz[0] - slack or target_hz[-1] > frequency_hz[-1] + slack:
        raise NormalisationRefused(
            [
                f"grid: {target_hz[0] / 1e6:.6g} to {target_hz[-1] / 1e6:.6g} MHz reaches outside "
                f"the baseline's {frequency_hz[0] / 1e6:.6g} to {frequency_hz[-1] / 1e6:.6g} MHz"
            ]
        )
    moved: FloatArray = np.interp(target_hz, frequency_hz, values)
    return moved


def between(
    opening_s: float,
    opening_db: FloatArray,
    closing_s: float,
    closing_db: FloatArray,
    at_s: float,
) -> Bracket:
    """Baseline at one time between two, by a straight line through time (seconds, any zero).

    Raises NormalisationRefused where `at_s` lies outside the bracket.
    """
    if not opening_s <= at_s <= closing_s or closing_s == opening_s:
        raise NormalisationRefused(
            ["age: the capture does not lie between the opening and the closing baseline"],
            advice="Take a closing baseline after the last capture.",
        )
    drift_db = over_baseline_db(closing_db, opening_db)
    share = (at_s - opening_s) / (closing_s - opening_s)
    return Bracket(opening_db + share * drift_db, drift_db, np.abs(drift_db) / 2.0)


def normalised(test: Trace, baselines: Sequence[Trace], *, other_grid: bool = False) -> Trace:
    """The test trace over its baseline: one trace (thru, open or short) or open and short.

    Levels in dBm give a RATIO_DB trace; complex ratios give a complex one (then exactly one
    baseline). Bins that a `hold` sweep never visited, in either, are left out.
    Raises NormalisationRefused where forms or grids differ; with `other_grid` the baseline is
    moved onto the grid of the test.
    """
    differing = [
        f"form: the capture holds {test.form.value}, the baseline {trace.form.value}"
        for trace in baselines
        if trace.form is not test.form
    ]
    if differing or not 1 <= len(baselines) <= 2:
        raise NormalisationRefused(
            differing or [f"baselines: expected one, or an open and a short; got {len(baselines)}"]
        )
    clean = [seen(trace) for trace in baselines]
    target = seen(test)
    if not other_grid:
        target, clean = _common(target, clean)
    grid = target.frequency_hz
    if test.form is Form.RATIO_COMPLEX:
        if len(clean) != 1:
            raise NormalisationRefused(["baselines: a complex trace takes exactly one"])
        return Trace(test.name, Form.RATIO_COMPLEX, grid, _complex_ratio(target, clean[0]))
    levels = [onto_grid(t.frequency_hz, t.decibels, grid) for t in clean]
    level_db = levels[0] if len(levels) == 1 else open_short_mean_db(*levels)
    return Trace(test.name, Form.RATIO_DB, grid, over_baseline_db(target.decibels, level_db))


def seen(trace: Trace) -> Trace:
    """The trace without the bins in which its sweep never saw the source."""
    if trace.visited is None or bool(trace.visited.all()):
        return trace
    return Trace(
        trace.name, trace.form, trace.frequency_hz[trace.visited], trace.values[trace.visited]
    )


def _common(test: Trace, baselines: list[Trace]) -> tuple[Trace, list[Trace]]:
    """Drop bins that one of the traces lacks; refuse traces that were taken on different grids."""
    shared = test.frequency_hz
    for trace in baselines:
        shared = np.intersect1d(shared, trace.frequency_hz)
    largest = max(t.frequency_hz.size for t in (test, *baselines))
    # Hold sweeps on one grid lack some bins; two different grids have almost none in common. A
    # sweep that refined has read a part of its baseline's grid, which then holds all of it.
    whole = shared.size == test.frequency_hz.size
    if shared.size < 2 or (shared.size < largest // 2 and not whole):
        raise NormalisationRefused(
            [
                f"grid: only {shared.size} of {largest} frequencies are common "
                "to the capture and its baseline"
            ],
            advice="Measure both on one grid, or ask for interpolation in the recipe.",
        )
    return _at(test, shared), [_at(trace, shared) for trace in baselines]


def _at(trace: Trace, grid: FloatArray) -> Trace:
    keep = np.isin(trace.frequency_hz, grid)
    return Trace(trace.name, trace.form, trace.frequency_hz[keep], trace.values[keep])


def _complex_ratio(test: Trace, baseline: Trace) -> ComplexArray:
    grid = test.frequency_hz
    real = onto_grid(baseline.frequency_hz, baseline.values.real, grid)
    imaginary = onto_grid(baseline.frequency_hz, np.imag(baseline.values), grid)
    ratio: ComplexArray = test.values.astype(np.complex128) / (real + 1j * imaginary)
    return ratio
