"""Return loss over frequency: where the antenna resonates, how well, and over which band."""

from __future__ import annotations

import math
from collections.abc import Sequence

import numpy as np
from matplotlib.axes import Axes
from matplotlib.figure import Figure
from matplotlib.ticker import FixedFormatter, FixedLocator, MaxNLocator

from benchd.quantities import Picture, place, quantity
from benchd.report.figure import Heading, Numbers, frame, frequency_axis
from benchd.report.palette import BAND, BAND_EDGE, CURVE, INK, MUTED, PAPER, TARGET
from benchd.report.reduced import ReducedTrace
from benchd.report.wording import band_words, number_words, quantity_words, value_words, where_words
from benchd.results import Result
from benchd.rounding import rounded_words

VSWR_TICKS = (1.1, 1.2, 1.5, 2.0, 3.0, 6.0)
MOST_NUMBERS = 5
FOOT_DB = 5.0  # free room below the deepest point, for the band's label


def draw_reflection(
    reduced: ReducedTrace,
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
    frequency_axis(axes, float(frequency_hz[0]), float(frequency_hz[-1]))
    deepest = _deepest(reduced, band_level_db)
    axes.yaxis.set_major_locator(MaxNLocator(nbins=8, steps=[1, 2, 5, 10], integer=True))
    axes.set_ylim(deepest, 0.0)  # downwards: a good match is a deep dip, as the trade draws it
    axes.set_ylabel("Return loss, dB", labelpad=8)
    _draw_band(axes, results, band_level_db)
    if reduced.low is not None and reduced.high is not None:
        axes.fill_between(
            frequency_hz, np.minimum(reduced.low, deepest), np.minimum(reduced.high, deepest),
            color=CURVE, alpha=0.20, linewidth=0, zorder=2.5,
        )  # fmt: skip
    axes.plot(frequency_hz, reduced.values, color=CURVE, linewidth=2.2, zorder=4)
    _draw_marks(axes, reduced, results, design_hz)
    _vswr_axis(axes, deepest)
    return figure


def _deepest(reduced: ReducedTrace, band_level_db: float) -> float:
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
            label += f" at {where_words(result)}"
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


def _draw_band(axes: Axes, results: Sequence[Result], level_db: float) -> None:
    axes.axhline(level_db, color=BAND_EDGE, linewidth=1.1, linestyle=(0, (4, 2)), zorder=2)
    left, right = axes.get_xlim()
    bandwidth = _find(results, "bandwidth")
    if bandwidth is None or bandwidth.band_hz is None:
        axes.annotate(
            f"{level_db:g} dB", (left, level_db), xytext=(6, -5), textcoords="offset points",
            size=9.6, color=BAND_EDGE, va="top", zorder=7, bbox=_halo(),
        )  # fmt: skip
        return
    low, high = bandwidth.band_hz
    axes.axvspan(max(low, left), min(high, right), color=BAND, linewidth=0, zorder=0.5)
    for edge in (low, high):
        if left < edge < right:
            axes.plot([edge, edge], [0, level_db], color=BAND_EDGE, linewidth=1.1, zorder=2)
    # At the foot of the axes, which the curve never reaches.
    middle = (max(low, left) + min(high, right)) / 2
    axes.annotate(
        f"{level_db:g} dB band\n{band_words(low, high, 'Hz')}", (middle, axes.get_ylim()[0]),
        xytext=(0, 6), textcoords="offset points", size=9.6, color=BAND_EDGE, va="bottom",
        ha="center", linespacing=1.3, zorder=7, bbox=_halo(),
    )  # fmt: skip


def _draw_marks(
    axes: Axes, reduced: ReducedTrace, results: Sequence[Result], design_hz: float | None
) -> None:
    resonance = _find(results, "resonance_frequency")
    left = resonance is None or design_hz is None or resonance.value <= design_hz
    if resonance is not None:
        if resonance.low is not None and resonance.high is not None:
            axes.axvspan(resonance.low, resonance.high, color=INK, alpha=0.12, linewidth=0)
        depth = float(np.interp(resonance.value, reduced.frequency_hz, reduced.values))
        axes.axvline(resonance.value, color=INK, linewidth=1.1, zorder=3)
        axes.plot(
            [resonance.value], [depth], marker="o", markersize=7, color=INK,
            markeredgecolor=PAPER, markeredgewidth=1.4, zorder=6,
        )  # fmt: skip
        _label(axes, resonance.value, f"resonance {_surely(resonance)}", INK, left)
    if design_hz is not None:
        axes.axvline(design_hz, color=TARGET, linewidth=1.6, linestyle=(0, (6, 3)), zorder=3)
        _label(axes, design_hz, f"design {_short(design_hz)}", TARGET, not left)


def _short(frequency_hz: float) -> str:
    return number_words(frequency_hz, "Hz", digits=5)


def _surely(result: Result) -> str:
    """A value with the digits that its uncertainty leaves it."""
    if result.expanded_uncertainty is None:
        return _short(result.value)
    return rounded_words(result.value, result.expanded_uncertainty, result.unit)


def _label(axes: Axes, x: float, text: str, colour: str, to_the_left: bool) -> None:
    """A name above the axes, where no curve can run through it."""
    axes.annotate(
        text, (x, 0.0), xytext=(3 if to_the_left else -3, 7), textcoords="offset points",
        size=9.8, weight="bold", color=colour, va="bottom", annotation_clip=False,
        ha="right" if to_the_left else "left",
    )  # fmt: skip


def _halo() -> dict[str, object]:
    return {"boxstyle": "square,pad=0.2", "fc": PAPER, "ec": "none", "alpha": 0.88}


def _vswr_axis(axes: Axes, deepest: float) -> None:
    # RL = -20 lg((s - 1)/(s + 1)): VSWR from the reflection magnitude.
    places = {s: -20 * np.log10((s - 1) / (s + 1)) for s in VSWR_TICKS}
    shown = {s: place for s, place in places.items() if place <= deepest}
    side = axes.secondary_yaxis("right")
    side.yaxis.set_major_locator(FixedLocator([float(place) for place in shown.values()]))
    side.yaxis.set_major_formatter(FixedFormatter([f"{s:g}" for s in shown]))
    side.set_ylabel("VSWR", color=MUTED, labelpad=6)
    side.spines["right"].set_visible(False)
    side.tick_params(length=3.5, width=0.9)
