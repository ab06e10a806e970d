"""Return loss over frequency: where the antenna resonates, how well, and over which band."""

from __future__ import annotations

import math
from collections.abc import Sequence

import numpy as np
from matplotlib.axes import Axes
from matplotlib.figure import Figure
from matplotlib.ticker import FixedFormatter, FixedLocator, MaxNLocator

from benchd.curves import Curve
from benchd.quantities import Picture, place, quantity
from benchd.report.figure import (
    MOST_NUMBERS,
    Heading,
    Numbers,
    frame,
    frequency_axis,
    legend,
    plain_axes,
)
from benchd.report.labels import Label, draw_labels
from benchd.report.palette import BAND, BAND_EDGE, CURVE, INK, MUTED, PAPER, TARGET
from benchd.report.wording import (
    in_unit,
    quantity_words,
    range_in_unit,
    value_words,
    where_words,
)
from benchd.results import Result

VSWR_TICKS = (1.1, 1.2, 1.5, 2.0, 3.0, 6.0)
FOOT_DB = 1.5  # free room below the deepest point
LEVEL_DASHES, DESIGN_DASHES = (0, (4, 2)), (0, (6, 3))


def draw_reflection(
    reduced: Curve,
    results: Sequence[Result],
    heading: Heading,
    *,
    design_hz: float | None = None,
    band_level_db: float = 10.0,
) -> Figure:
    """A return loss plot. Call inside `figure.style()`.

    reduced: return loss, dB, positive; its interval is drawn as a band.
    results: results of the same reduction; resonance, bandwidth and those beside it are named.
    """
    numbers = Numbers(_rows(results), _remark(results))
    figure, axes = frame("Return loss", heading, numbers)
    frequency_hz = reduced.frequency_hz
    told_hz = [r.value for r in results if r.quantity == "resonance_frequency"]
    told_hz += [r.frequency_hz for r in results if r.frequency_hz is not None]
    ends_hz = float(frequency_hz[0]), float(frequency_hz[-1])
    unit = frequency_axis(axes, *ends_hz, told_hz or ([] if design_hz is None else [design_hz]))
    deepest = _deepest(reduced, band_level_db)
    axes.yaxis.set_major_locator(MaxNLocator(nbins=8, steps=[1, 2, 5, 10], integer=True))
    axes.set_ylim(deepest, 0.0)  # downwards: a good match is a deep dip, as the trade draws it
    axes.set_ylabel("Return loss, dB", labelpad=8)
    if reduced.low is not None and reduced.high is not None:
        axes.fill_between(
            frequency_hz, np.minimum(reduced.low, deepest), np.minimum(reduced.high, deepest),
            color=CURVE, alpha=0.20, linewidth=0, zorder=2.5,
        )  # fmt: skip
    axes.plot(
        frequency_hz, reduced.values, color=CURVE, linewidth=2.2, zorder=4, label="return loss"
    )
    axes.axhline(
        band_level_db, color=BAND_EDGE, linewidth=1.1, linestyle=LEVEL_DASHES, zorder=2,
        label=f"{band_level_db:g} dB",
    )  # fmt: skip
    labels = [
        *_resonance(axes, reduced, results, design_hz, unit),
        *_design(axes, results, design_hz, unit),
        *_band(axes, results, band_level_db, unit),
    ]
    _further_dips(axes, reduced, results)
    _vswr_axis(axes, deepest)
    legend(figure, axes)
    draw_labels(axes, labels)
    return figure


def _deepest(reduced: Curve, band_level_db: float) -> float:
    finite = reduced.values[np.isfinite(reduced.values)]
    peak = float(finite.max()) if finite.size else band_level_db
    return 5.0 * math.ceil((max(peak, band_level_db) + FOOT_DB) / 5.0)


def _rows(results: Sequence[Result]) -> list[tuple[str, str]]:
    rows = []
    named = [r for r in results if quantity(r.quantity).picture is Picture.RETURN_LOSS]
    named.sort(key=lambda result: place(result.quantity))
    for result in named[:MOST_NUMBERS]:
        label = quantity_words(result.quantity)
        if result.frequency_hz is not None and result.unit != "m":
            label += f" at {where_words(result, results)}"
        rows.append((label, value_words(result)))
    return rows


def _remark(results: Sequence[Result]) -> str:
    factors = sorted({round(r.coverage_factor, 2) for r in results if r.coverage_factor})
    if not factors:
        return ""
    k = f"{factors[0]:g}" if len(factors) == 1 else f"{factors[0]:g} to {factors[-1]:g}"
    return f"Shaded band and ±: 95 % intervals, k = {k}."


def _find(results: Sequence[Result], name: str) -> Result | None:
    return next((result for result in results if result.quantity == name), None)


def _is_lower(results: Sequence[Result], design_hz: float | None) -> bool:
    """Whether the resonance's name stands left of its line, and that of the design right."""
    resonance = _find(results, "resonance_frequency")
    return resonance is None or design_hz is None or resonance.value <= design_hz


def _resonance(
    axes: Axes,
    reduced: Curve,
    results: Sequence[Result],
    design_hz: float | None,
    unit: str,
) -> list[Label]:
    resonance = _find(results, "resonance_frequency")
    if resonance is None:
        return []
    if resonance.low is not None and resonance.high is not None:
        axes.axvspan(resonance.low, resonance.high, color=INK, alpha=0.12, linewidth=0)
    axes.axvline(resonance.value, color=INK, linewidth=1.1, zorder=3)
    axes.plot(
        [resonance.value], [_depth(reduced, resonance.value)], marker="o", markersize=7, color=INK,
        markeredgecolor=PAPER, markeredgewidth=1.4, zorder=6,
    )  # fmt: skip
    words = in_unit(resonance.value, resonance.expanded_uncertainty, unit)
    side = -1 if _is_lower(results, design_hz) else 1
    return [Label(resonance.value, f"resonance {words}", INK, side)]


def _design(
    axes: Axes, results: Sequence[Result], design_hz: float | None, unit: str
) -> list[Label]:
    if design_hz is None:
        return []
    axes.axvline(design_hz, color=TARGET, linewidth=1.6, linestyle=DESIGN_DASHES, zorder=3)
    side = 1 if _is_lower(results, design_hz) else -1
    return [Label(design_hz, f"design {in_unit(design_hz, None, unit)}", TARGET, side)]


def _band(axes: Axes, results: Sequence[Result], level_db: float, unit: str) -> list[Label]:
    bandwidth = _find(results, "bandwidth")
    if bandwidth is None or bandwidth.band_hz is None:
        return []
    left, right = axes.get_xlim()
    low, high = bandwidth.band_hz
    axes.axvspan(max(low, left), min(high, right), color=BAND, linewidth=0, zorder=0.5)
    for edge in (low, high):
        if left < edge < right:
            axes.plot([edge, edge], [0, level_db], color=BAND_EDGE, linewidth=1.1, zorder=2)
    words = range_in_unit(low, high, bandwidth.expanded_uncertainty, unit)
    middle = (max(low, left) + min(high, right)) / 2
    return [Label(middle, f"{level_db:g} dB band {words}", BAND_EDGE, 0, bold=False)]


def _further_dips(axes: Axes, reduced: Curve, results: Sequence[Result]) -> None:
    dips = [r.value for r in results if r.quantity == "further_resonance_frequency"]
    if dips:
        axes.plot(
            dips, [_depth(reduced, dip) for dip in dips], linestyle="none", marker="o",
            markersize=7, markerfacecolor=PAPER, markeredgecolor=INK, markeredgewidth=1.4, zorder=6,
            label="further dip" if len(dips) == 1 else "further dips",
        )  # fmt: skip


def _depth(reduced: Curve, frequency_hz: float) -> float:
    return float(np.interp(frequency_hz, reduced.frequency_hz, reduced.values))


def _vswr_axis(axes: Axes, deepest: float) -> None:
    # RL = -20 lg((s - 1)/(s + 1)): VSWR from the reflection magnitude.
    places = {s: -20 * np.log10((s - 1) / (s + 1)) for s in VSWR_TICKS}
    shown = {s: place for s, place in places.items() if place <= deepest}
    side = axes.secondary_yaxis("right")
    side.yaxis.set_major_locator(FixedLocator([float(place) for place in shown.values()]))
    side.yaxis.set_major_formatter(FixedFormatter([f"{s:g}" for s in shown]))
    side.set_ylabel("VSWR", color=MUTED, labelpad=6)
    plain_axes(side)
