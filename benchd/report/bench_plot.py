"""What a qualification found of the bench, over frequency: sizes, spreads, differences.

Each curve stands beside the limit that its verdict was held against, and beside its results at
single frequencies with their 95 % intervals.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from matplotlib.axes import Axes
from matplotlib.figure import Figure

from benchd.curves import Curve
from benchd.quantities import Picture, place, quantity
from benchd.report.figure import MOST_NUMBERS, Heading, Numbers, frame, frequency_axis, legend
from benchd.report.palette import DASHES, INK, PAPER, SERIES, TARGET
from benchd.report.wording import quantity_words, value_words, where_words
from benchd.results import Result

LIMIT_DASHES = (0, (6, 3))


@dataclass(frozen=True, slots=True)
class Panel:
    """One picture of a qualification.

    picture: as the table of quantities says of what is drawn here. what: its name. axis: what the
        y axis says. only: the quantities of a picture that have a sheet of their own, because
        their size is another; the other sheet of that picture holds all the rest.
    from_zero: the axis begins at 0. limit: the option of the reduction that its verdict holds the
        curve against. limit_words: how that is named; "{}" takes the number. both_ways: the limit
        holds above and below zero.
    """

    picture: Picture
    what: str
    axis: str
    only: tuple[str, ...] = ()
    from_zero: bool = True
    limit: str = ""
    limit_words: str = ""
    both_ways: bool = False


PANELS = (
    Panel(
        Picture.COUPLER, "Coupler", "Below full reflection, dB", limit="least_db",
        limit_words="{} dB of directivity needed",
    ),
    Panel(
        Picture.REPEATABILITY, "Repeatability", "Spread (standard deviation), dB",
        limit="limit_db", limit_words="{} dB allowed",
    ),
    Panel(
        Picture.COMPARISON, "Difference", "Second less first, dB", from_zero=False,
        limit="worth_db", limit_words="{} dB matters", both_ways=True,
    ),
    Panel(
        Picture.LEAKAGE, "Shielding", "Closed lid below open lid, dB", limit="least_db",
        limit_words="{} dB needed",
    ),
    Panel(
        Picture.STILLNESS, "Stillness", "Spread while people move, dB", limit="limit_db",
        limit_words="{} dB allowed",
    ),
    Panel(Picture.REFLECTIVITY, "What the box does to a gain", "Spread, dB"),
    Panel(
        Picture.REFLECTIVITY, "Reflected level", "Reflected, against the direct wave, dB",
        only=("reflected_level",), from_zero=False,
    ),
    Panel(
        Picture.DRIFT, "Drift over the whole watch", "Greatest less least level, dB",
        limit="limit_db", limit_words="{} dB allowed",
    ),
)  # fmt: skip


def curves_of(panel: Panel, curves: Sequence[Curve]) -> list[Curve]:
    """The curves that one sheet holds."""
    of_picture = [c for c in curves if quantity(c.quantity).picture is panel.picture]
    if panel.only:
        return [curve for curve in of_picture if curve.quantity in panel.only]
    elsewhere = {name for one in PANELS for name in one.only}
    return [curve for curve in of_picture if curve.quantity not in elsewhere]


def draw_panel(
    panel: Panel,
    curves: Sequence[Curve],
    results: Sequence[Result],
    heading: Heading,
    *,
    limit: float | None = None,
) -> Figure:
    """One picture of a qualification. Call inside `figure.style()`.

    curves: as `curves_of` gives them, one at least. limit: in the unit of the y axis.
    """
    figure, axes = frame(panel.what, heading, Numbers(_rows(panel, results), _REMARK))
    grid = np.concatenate([curve.frequency_hz for curve in curves])
    told_hz = [r.frequency_hz for r in results if r.frequency_hz is not None]
    frequency_axis(axes, float(grid.min()), float(grid.max()), told_hz)
    axes.set_ylabel(panel.axis, labelpad=8)
    for number, curve in enumerate(curves):
        colour = SERIES[number % len(SERIES)]
        if curve.low is not None and curve.high is not None:
            axes.fill_between(
                curve.frequency_hz, curve.low, curve.high, color=colour, alpha=0.17, linewidth=0,
                label="95 % interval" if len(curves) == 1 else None,
            )  # fmt: skip
        axes.plot(
            curve.frequency_hz, curve.values, color=colour, linewidth=2.0, zorder=4,
            linestyle=DASHES[number % len(DASHES)], label=_curve_words(curve),
        )  # fmt: skip
    for result in results:
        _point(axes, curves, result)
    if limit is not None and panel.limit_words:
        words: str | None = panel.limit_words.format(f"{limit:g}")
        for value in (limit, -limit) if panel.both_ways else (limit,):
            axes.axhline(
                value, color=TARGET, linewidth=1.4, linestyle=LIMIT_DASHES, zorder=3, label=words
            )
            words = None
    if panel.both_ways:
        axes.axhline(0.0, color=INK, linewidth=0.9, zorder=2)
    if panel.from_zero:
        axes.set_ylim(bottom=0.0)
    legend(figure, axes)
    return figure


_REMARK = "Bars and ±: 95 % intervals."


def _curve_words(curve: Curve) -> str:
    words = quantity_words(curve.quantity)
    return f"{words.lower()}, {curve.part}" if curve.part else words.lower()


def _point(axes: Axes, curves: Sequence[Curve], result: Result) -> None:
    """A result at one frequency, in the colour of its curve, with its interval as a bar."""
    names = [curve.quantity for curve in curves]
    if result.frequency_hz is None or result.quantity not in names:
        return
    ends = [
        abs(result.value - end) if end is not None and np.isfinite(end) else 0.0
        for end in (result.low, result.high)
    ]
    colour = SERIES[names.index(result.quantity) % len(SERIES)]
    if names.count(result.quantity) > 1:
        colour = INK  # of several parts together
    axes.errorbar(
        [result.frequency_hz], [result.value], yerr=[[ends[0]], [ends[1]]], color=colour,
        marker="o", markersize=7, markeredgecolor=PAPER, markeredgewidth=1.4, capsize=4,
        elinewidth=1.4, zorder=6,
    )  # fmt: skip


def _rows(panel: Panel, results: Sequence[Result]) -> list[tuple[str, str]]:
    """The verdict, then what holds over the band or the bench. What holds at one frequency is a
    mark in the picture, and needs words only where there is but one."""
    of_picture = [r for r in results if quantity(r.quantity).picture is panel.picture]
    said = [r for r in results if quantity(r.quantity).is_verdict]
    said += [r for r in of_picture if r.frequency_hz is None or _is_alone(r, of_picture)]
    said.sort(key=lambda r: place(r.quantity))
    rows: dict[str, str] = {}
    for result in said:
        at = where_words(result)
        # Of several parts, such as places of a seam, the picture shows which is which.
        rows.setdefault(
            quantity_words(result.quantity) + (f", {at}" if at else ""), value_words(result)
        )
    return list(rows.items())[:MOST_NUMBERS]


def _is_alone(result: Result, among: Sequence[Result]) -> bool:
    return sum(one.quantity == result.quantity for one in among) == 1
