"""Gain over frequency with its 95 % interval."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from matplotlib.axes import Axes
from matplotlib.figure import Figure

from benchd.curves import Curve
from benchd.report.figure import MOST_NUMBERS, Heading, Numbers, frame, frequency_axis, legend
from benchd.report.labels import Label, draw_labels
from benchd.report.palette import DASHES, PAPER, SERIES, TARGET
from benchd.report.wording import in_unit, quantity_words, value_words, where_words
from benchd.results import Result


def draw_gain(
    curves: Sequence[Curve],
    results: Sequence[Result],
    heading: Heading,
    *,
    design_hz: float | None = None,
) -> Figure:
    """A gain plot of one or more curves in dBi. Call inside `figure.style()`.

    results: gains at single frequencies are drawn as points with their intervals.
    """
    figure, axes = frame("Gain", heading, Numbers(_rows(results), _remark(results)))
    grid = np.concatenate([curve.frequency_hz for curve in curves])
    told_hz = [r.frequency_hz for r in results if r.frequency_hz is not None]
    unit = frequency_axis(axes, float(grid.min()), float(grid.max()), told_hz)
    axes.set_ylabel("Gain, dBi", labelpad=8)
    several = len({curve.antenna for curve in curves}) > 1
    for curve, colour, dash in zip(curves, SERIES, DASHES, strict=False):
        if curve.low is not None and curve.high is not None:
            axes.fill_between(
                curve.frequency_hz, curve.low, curve.high, color=colour, alpha=0.17, linewidth=0
            )
        name = quantity_words(curve.quantity)
        axes.plot(
            curve.frequency_hz, curve.values, color=colour, linewidth=2.2, linestyle=dash,
            label=f"{curve.antenna}: {name.lower()}" if several else name, zorder=4,
        )  # fmt: skip
    _points(axes, curves, results)
    _limits(axes, curves)
    legend(figure, axes)
    if design_hz is not None:
        axes.axvline(design_hz, color=TARGET, linewidth=1.4, linestyle=(0, (6, 3)), zorder=3)
        draw_labels(axes, [Label(design_hz, f"design {in_unit(design_hz, None, unit)}", TARGET)])
    return figure


def _points(axes: Axes, curves: Sequence[Curve], results: Sequence[Result]) -> None:
    """Results at single frequencies; with a bar where their curve has no band of its own."""
    for curve, colour in zip(curves, SERIES, strict=False):
        for result in results:
            if result.quantity != curve.quantity or result.frequency_hz is None:
                continue
            if curve.antenna is not None and result.antenna != curve.antenna:
                continue
            bar = None
            if curve.low is None and result.low is not None and result.high is not None:
                bar = [[result.value - result.low], [result.high - result.value]]
            axes.errorbar(
                [result.frequency_hz], [result.value], yerr=bar, color=colour, marker="o",
                markersize=8, markeredgecolor=PAPER, markeredgewidth=1.5, capsize=4,
                elinewidth=1.4, zorder=6,
            )  # fmt: skip


LEAST_SPAN_DB = 8.0  # a flat curve must look flat


def _limits(axes: Axes, curves: Sequence[Curve]) -> None:
    parts = [part for c in curves for part in (c.values, c.low, c.high) if part is not None]
    values = np.concatenate(parts)
    values = values[np.isfinite(values)]
    if not values.size:
        return
    low, high = float(values.min()), float(values.max())
    room = max(LEAST_SPAN_DB - (high - low), 0.0) / 2 + 0.12 * max(high - low, LEAST_SPAN_DB)
    axes.set_ylim(low - room, high + room)


def _rows(results: Sequence[Result]) -> list[tuple[str, str]]:
    rows = []
    gains = [result for result in results if result.unit == "dBi"]
    several = len({result.antenna for result in gains}) > 1
    if several:
        # Of several antennas, each antenna's gain at a frequency comes before means and ends.
        gains.sort(key=lambda result: result.frequency_hz is None)
    for result in gains[:MOST_NUMBERS]:
        place = where_words(result)
        joint = " at " if result.frequency_hz is not None else ", "
        label = quantity_words(result.quantity) + (joint + place if place else "")
        label = f"{result.antenna}, {place or label.lower()}" if several else label
        rows.append((label, value_words(result)))
    return rows


def _remark(results: Sequence[Result]) -> str:
    realised = any(result.quantity == "realised_gain" for result in results)
    intervals = "Shaded band, bars and ±: 95 % intervals."
    if realised:
        return f"{intervals} Realised gain includes the loss by the antenna's own mismatch."
    return intervals
