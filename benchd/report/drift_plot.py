"""Drift over time: how far a thing that stands still has moved since the first capture."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from matplotlib.axes import Axes
from matplotlib.figure import Figure
from matplotlib.ticker import MaxNLocator

from benchd.quantities import Picture, place, quantity
from benchd.report.figure import (
    MOST_NUMBERS,
    Heading,
    Numbers,
    ScaledTicks,
    frame,
    legend,
    plain_axes,
)
from benchd.report.level_plot import level_db
from benchd.report.palette import CURVE, INK, MUTED, TARGET
from benchd.report.wording import factor_of, quantity_words, unit_for, value_words
from benchd.results import Result
from benchd.traces import Capture, FloatArray

LEAST_CAPTURES = 2


def watched(captures: Sequence[Capture]) -> list[Capture]:
    """Captures on the grid of the first one, oldest first: what can be held against it."""
    found = sorted(captures, key=lambda one: one.taken_at)
    return [
        one for one in found if np.array_equal(one.level.frequency_hz, found[0].level.frequency_hz)
    ]


def draw_drift(
    captures: Sequence[Capture],
    results: Sequence[Result],
    heading: Heading,
    *,
    limit_db: float | None = None,
) -> Figure:
    """Levels less those of the first capture, over time. Call inside `figure.style()`.

    captures: as `watched` gives them, two at least. limit_db: the drift that is allowed.
    """
    times_s = np.array([(c.taken_at - captures[0].taken_at).total_seconds() for c in captures])
    moved_db = np.stack([level_db(c.level) for c in captures])
    moved_db = moved_db - moved_db[0]
    figure, axes = frame("Drift over time", heading, Numbers(_rows(results), _REMARK))
    unit = unit_for(float(times_s[-1]), "s")
    factor = factor_of(unit)
    axes.set_xlim(0.0, float(times_s[-1]) / factor)
    axes.xaxis.set_major_locator(MaxNLocator(nbins=9, steps=[1, 2, 2.5, 5, 10]))
    axes.xaxis.set_major_formatter(ScaledTicks(1.0))
    axes.set_xlabel(f"Time since the first capture, {unit}", labelpad=8)
    axes.set_ylabel("Change since the first capture, dB", labelpad=8)
    shown = times_s / factor
    axes.fill_between(
        shown, np.nanmin(moved_db, axis=1), np.nanmax(moved_db, axis=1), color=CURVE, alpha=0.18,
        linewidth=0, label="all frequencies of the sweep",
    )  # fmt: skip
    axes.plot(
        shown, np.nanmedian(moved_db, axis=1), color=CURVE, linewidth=2.0, marker="o",
        markersize=3.5, zorder=4, label="median over the sweep",
    )  # fmt: skip
    axes.axhline(0.0, color=INK, linewidth=0.9, zorder=2)
    if limit_db is not None:
        words: str | None = f"{limit_db:g} dB allowed"
        for value in (limit_db, -limit_db):
            axes.axhline(
                value, color=TARGET, linewidth=1.4, linestyle=(0, (6, 3)), zorder=3, label=words
            )
            words = None
    _temperature(axes, captures, shown)
    legend(figure, axes)
    return figure


_REMARK = "±: 95 % intervals."


def _temperature(axes: Axes, captures: Sequence[Capture], shown: FloatArray) -> None:
    """The temperature beside the levels, with its own scale; nothing where none was read."""
    found = [one.readings.get("temperature_c") for one in captures]
    values = np.array([np.nan if one is None else float(one) for one in found])
    if np.isfinite(values).sum() < LEAST_CAPTURES:
        return
    side = axes.twinx()
    plain_axes(side)
    side.grid(visible=False)
    side.plot(shown, values, color=MUTED, linewidth=1.3, linestyle=(0, (1.5, 1.5)))
    side.set_ylabel("Temperature (dotted), °C", color=MUTED, labelpad=6)


def _rows(results: Sequence[Result]) -> list[tuple[str, str]]:
    said = [
        result
        for result in results
        if quantity(result.quantity).picture is Picture.DRIFT
        or quantity(result.quantity).is_verdict
    ]
    said.sort(key=lambda result: place(result.quantity))
    return [(quantity_words(r.quantity), value_words(r)) for r in said[:MOST_NUMBERS]]
