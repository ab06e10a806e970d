"""Curves of several jobs or antennas over each other, each with its 95 % interval as a band."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from matplotlib.figure import Figure

from benchd.curves import Curve
from benchd.quantities import Picture, quantity
from benchd.report.figure import Heading, Numbers, frame, frequency_axis, legend
from benchd.report.palette import DASHES, SERIES
from benchd.units import FREQUENCY
from benchd.wording import quantity_words

MOST_CURVES = 12
MOST_BANDS = 4  # more bands over each other hide the curves
MOST_LEGEND = 4  # names that fit below the axes; more, or longer ones, stand beside them
LEGEND_CHARACTERS, LINE_CHARACTERS = 105, 9  # of all names in that row, and what a line takes of it


@dataclass(frozen=True)
class Overlaid:
    """A curve and what it is called in the picture."""

    name: str
    curve: Curve


def draw_overlay(curves: Sequence[Overlaid], heading: Heading) -> Figure:
    """Up to twelve curves of one quantity over one axis. Call inside `figure.style()`.

    Colour and dashes together tell them apart. Return loss grows downwards, as in its own picture.
    """
    shown = curves[:MOST_CURVES]
    name = shown[0].curve.quantity
    characters = sum(len(one.name) + LINE_CHARACTERS for one in shown)
    many = len(shown) > MOST_LEGEND or characters > LEGEND_CHARACTERS
    rows = [(_line_words(at), one.name) for at, one in enumerate(shown)] if many else []
    figure, axes = frame(quantity_words(name), heading, Numbers(rows, _remark(shown)))
    along = shown[0].curve.trace.along
    grid = np.concatenate([one.curve.trace.along.values for one in shown])
    if along.name == FREQUENCY:
        frequency_axis(axes, float(grid.min()), float(grid.max()))
    else:
        axes.set_xlim(float(grid.min()), float(grid.max()))
        axes.set_xlabel(_axis_words(along.name, along.unit), labelpad=8)
    axes.set_ylabel(f"{quantity_words(name)}, {quantity(name).unit or 'dB'}", labelpad=8)
    for at, one in enumerate(shown):
        colour, dash = _line(at)
        curve, places = one.curve, one.curve.trace.along.values
        if curve.low is not None and curve.high is not None and len(shown) <= MOST_BANDS:
            axes.fill_between(places, curve.low, curve.high, color=colour, alpha=0.15, linewidth=0)
        axes.plot(
            places, curve.values, color=colour, linestyle=dash, linewidth=2.0,
            label=None if many else one.name, zorder=4,
        )  # fmt: skip
    if quantity(name).picture is Picture.RETURN_LOSS:
        axes.invert_yaxis()
        axes.set_ylim(top=min(0.0, axes.get_ylim()[1]))
    legend(figure, axes)
    return figure


def _axis_words(name: str, unit: str) -> str:
    """What stands at an axis: "Angle, deg"."""
    words = name.replace("_", " ").capitalize()
    return f"{words}, {unit}" if unit else words


def _line(at: int) -> tuple[str, object]:
    return SERIES[at % len(SERIES)], DASHES[(at + at // len(SERIES)) % len(DASHES)]


_COLOURS = ("blue", "black", "olive", "pink")
_DASHES = ("solid", "dashed", "dotted", "dash and dot")


def _line_words(at: int) -> str:
    """How a line looks, in words: a legend of more lines than fit below the axes."""
    dash = _DASHES[(at + at // len(SERIES)) % len(DASHES)]
    return f"{_COLOURS[at % len(SERIES)]}, {dash}"


def _remark(shown: Sequence[Overlaid]) -> str:
    banded = any(one.curve.low is not None for one in shown)
    if banded and len(shown) <= MOST_BANDS:
        return "Shaded bands: 95 % intervals. Errors that two curves share are in both bands."
    return "Intervals are left out: too many bands hide each other." if banded else ""
