"""Differences of two revisions: each with its 95 % interval beside the line of no difference.

Quantities have scales of their own, so each stands on a line of its own.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from matplotlib.figure import Figure
from matplotlib.ticker import MaxNLocator

from benchd.quantities import COMPARISON, quantity
from benchd.report.figure import (
    AXES_RIGHT_WITH_NUMBERS,
    AXES_TOP,
    Heading,
    Numbers,
    ScaledTicks,
    plain_axes,
    sheet,
)
from benchd.report.palette import CURVE, INK, PAPER
from benchd.report.wording import (
    factor_of,
    quantity_words,
    unit_for,
    value_words,
    where_words,
)
from benchd.results import Result

MOST_ROWS = 6
LEFT, RIGHT_ALONE = 0.32, 0.955
RIGHT_WITH_REMARKS = AXES_RIGHT_WITH_NUMBERS - 0.02  # the unit stands to the right of the axis
ROOM, TALLEST_ROW, STRIP = 0.70, 0.20, 0.42  # of the sheet; the strip is a part of its row
FOOT = 0.075  # below it stand the lines at the foot
REACH = 1.25  # how far an axis goes beyond the farthest end of its interval


def is_difference(result: Result) -> bool:
    """Whether a comparison of two revisions gave it."""
    return COMPARISON in quantity(result.quantity).given_by


def draw_differences(results: Sequence[Result], heading: Heading) -> Figure:
    """Up to six differences. Call inside `figure.style()`."""
    figure = sheet("Second less first", heading, Numbers())
    height = min(TALLEST_ROW, ROOM / min(len(results), MOST_ROWS))
    right = RIGHT_WITH_REMARKS if heading.remarks else RIGHT_ALONE
    for number, result in enumerate(results[:MOST_ROWS]):
        top = AXES_TOP - height * number
        place = where_words(result)
        name = quantity_words(result.quantity) + (f", {place}" if place else "")
        figure.text(0.075, top - 0.012, name, size=10, va="top")
        figure.text(0.075, top - 0.046, value_words(result), size=10.5, weight="bold", va="top")
        _strip(figure, result, (top, right), height * STRIP)
    if len(results) > MOST_ROWS:
        more = f"and {len(results) - MOST_ROWS} more: see the table of results"
        figure.text(0.075, 0.06, more, size=9)
    figure.text(
        0.965, 0.06, "Bars: 95 % intervals. A bar that crosses the line shows no sure difference.",
        size=9, ha="right",
    )  # fmt: skip
    if not heading.remarks:  # they stand beside the rows, and need the height
        _shorten(figure, ROOM - height * min(len(results), MOST_ROWS))
    return figure


def _shorten(figure: Figure, empty: float) -> None:
    """Take the empty part out of the sheet, as a part of its height; all sizes stay as they are."""
    width_in, height_in = figure.get_size_inches()
    whole = 1.0 - max(0.0, empty)
    figure.set_size_inches(width_in, height_in * whole)

    def moved(y: float) -> float:
        """What stands at the foot keeps its distance from there, all else from the top."""
        return y / whole if y < FOOT else 1.0 - (1.0 - y) / whole

    for words in figure.texts:
        words.set_y(moved(words.get_position()[1]))
    for axes in figure.axes:
        place = axes.get_position()
        bottom, top = moved(place.y0), moved(place.y1)
        axes.set_position((place.x0, bottom, place.width, top - bottom))


def _strip(figure: Figure, result: Result, corner: tuple[float, float], height: float) -> None:
    """One horizontal axis with the value and its interval.

    corner: its upper end and its right end. All are parts of the sheet, 0 to 1.
    """
    top, right = corner
    axes = figure.add_axes((LEFT, top - height, right - LEFT, height))
    plain_axes(axes)
    axes.spines["left"].set_visible(False)
    axes.set_yticks([])
    size = result.expanded_uncertainty or 0.0
    low = result.value - size if result.low is None else result.low
    high = result.value + size if result.high is None else result.high
    known = [end for end in (low, high, result.value) if np.isfinite(end)]
    reach = REACH * max(*map(abs, known), 1e-12)
    unit = unit_for(reach, result.unit)
    factor = factor_of(unit)
    axes.set_xlim(-reach / factor, reach / factor)
    axes.set_ylim(-1.0, 1.0)
    axes.xaxis.set_major_locator(MaxNLocator(nbins=8, steps=[1, 2, 2.5, 5, 10]))
    axes.xaxis.set_major_formatter(ScaledTicks(1.0))
    if unit:
        axes.text(1.004, 0.0, unit, transform=axes.transAxes, size=9, va="center")
    axes.axvline(0.0, color=INK, linewidth=1.2, zorder=2)
    ends = [max(low, -reach) / factor, min(high, reach) / factor]
    axes.plot(ends, [0.0, 0.0], color=CURVE, linewidth=3.0, solid_capstyle="butt", zorder=3)
    axes.plot(
        [result.value / factor], [0.0], marker="o", markersize=9, color=CURVE,
        markeredgecolor=PAPER, markeredgewidth=1.5, zorder=4,
    )  # fmt: skip
