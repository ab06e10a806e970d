"""The frame that every plot has: heading, axes, a column of numbers, one grey line; and saving it.

Drawn with matplotlib's Agg and SVG back ends, without pyplot, so that nothing global is touched
and no display is needed. The same input gives the same bytes with the same matplotlib.
"""

from __future__ import annotations

import textwrap
import warnings
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass, field
from datetime import UTC, datetime, tzinfo
from pathlib import Path
from typing import Any, cast

import matplotlib as mpl
import numpy as np
from matplotlib.axes import Axes
from matplotlib.backends.backend_agg import FigureCanvasAgg
from matplotlib.figure import Figure
from matplotlib.ticker import Formatter, MaxNLocator

from benchd.moments import time_words
from benchd.report.palette import CAUTION, GRID, INK, MUTED, PAPER, RULE
from benchd.report.wording import factor_of, unit_for

WIDTH_IN, HEIGHT_IN, DOTS_PER_INCH = 11.0, 6.6, 150
AXES_LEFT, AXES_RIGHT_WITH_NUMBERS, AXES_RIGHT_ALONE = 0.075, 0.705, 0.965
AXES_TOP, AXES_BOTTOM = 0.776, 0.165
NUMBERS_LEFT = 0.785
LABEL_CHARACTERS = 33  # what fits beside the axes at full size; a longer label is set smaller
FOOT_CHARACTERS = 165  # what fits below the axes on one line
LEGEND_Y, FOOT_Y = 0.052, 0.021  # fractions of the height
LEGEND_ROW = 0.032  # height of a further row
LEGEND_CHARACTERS, LEGEND_LINE_CHARACTERS = 125, 9  # of a row, and what a line takes of it
REMARK_CHARACTERS, REMARK_LINE = 34, 0.0262
MOST_NUMBERS = 5  # results that stand beside one picture

_STYLE: dict[str, Any] = {
    "font.family": ["DejaVu Sans"],  # comes with matplotlib: the same on every computer
    "font.size": 10.5,
    "text.color": INK,
    "axes.labelcolor": INK,
    "axes.edgecolor": RULE,
    "axes.facecolor": PAPER,
    "figure.facecolor": PAPER,
    "axes.linewidth": 0.9,
    "axes.grid": True,
    "axes.axisbelow": True,
    "grid.color": GRID,
    "grid.linewidth": 0.8,
    "xtick.color": MUTED,
    "ytick.color": MUTED,
    "xtick.labelsize": 10,
    "ytick.labelsize": 10,
    "svg.fonttype": "none",  # text stays text: it can be searched, and read aloud
    "svg.hashsalt": "benchd",
    "axes.unicode_minus": False,
    "path.simplify": False,
    "text.parse_math": False,  # a name may hold any sign, and "$" is no formula there
}


@dataclass(frozen=True)
class Heading:
    """What stands above and below a plot.

    antenna: name with its revision, or what the plot is of.
    zone: of the bench; the moment is written in it.
    remarks: what must be known to read the numbers: flags in words, assumed terms.
    cautions: how many the worksheet holds; they are for whoever works at the bench, so that a
        picture only says where they stand.
    """

    antenna: str
    recipe: str
    moment: datetime
    bench: str
    job_id: str
    captures: Sequence[str] = ()
    remarks: Sequence[str] = ()
    cautions: int = 0
    zone: tzinfo = UTC


@dataclass(frozen=True)
class Numbers:
    """The column beside the axes: (label, value) rows, and a remark under them."""

    rows: Sequence[tuple[str, str]] = field(default_factory=tuple)
    remark: str = ""


@contextmanager
def style() -> Iterator[None]:
    """matplotlib's settings for a plot of ours, put back afterwards.

    A settings file of the user changes nothing here: the same numbers give the same picture on
    every computer.
    """
    with mpl.rc_context(), warnings.catch_warnings():
        # A name in a script that the font lacks is drawn by the viewer's own fonts.
        warnings.filterwarnings("ignore", message=r"Glyph .* missing from font")
        mpl.rcdefaults()
        # The stubs type the keys as one long Literal, which a dict of ours cannot have.
        mpl.rcParams.update(cast(Any, _STYLE))
        yield


def sheet(what: str, heading: Heading, numbers: Numbers) -> Figure:
    """A sheet with its heading, footer and numbers, and no axes yet. Call inside `style()`."""
    figure = Figure(figsize=(WIDTH_IN, HEIGHT_IN), dpi=DOTS_PER_INCH)
    FigureCanvasAgg(figure)
    figure.text(AXES_LEFT, 0.935, heading.antenna, size=18, weight="bold", va="center")
    taken = time_words(heading.moment, heading.zone)
    figure.text(
        AXES_LEFT, 0.888, f"{what}  ·  recipe {heading.recipe}  ·  {taken}",
        size=11, color=MUTED, va="center",
    )  # fmt: skip
    figure.text(AXES_LEFT, FOOT_Y, foot_line(heading), size=8.0, color=MUTED, va="center")
    _numbers(figure, numbers, heading.remarks)
    return figure


def frame(what: str, heading: Heading, numbers: Numbers) -> tuple[Figure, Axes]:
    """A sheet with one pair of axes. Call inside `style()`."""
    figure = sheet(what, heading, numbers)
    is_empty = not (numbers.rows or numbers.remark or heading.remarks)
    right = AXES_RIGHT_ALONE if is_empty else AXES_RIGHT_WITH_NUMBERS
    axes = figure.add_axes((AXES_LEFT, AXES_BOTTOM, right - AXES_LEFT, AXES_TOP - AXES_BOTTOM))
    plain_axes(axes)
    return figure, axes


def plain_axes(axes: Any) -> None:
    """Only the left and the lower edge are drawn, with short ticks; of a side axis none."""
    for side in ("top", "right"):
        axes.spines[side].set_visible(False)
    axes.tick_params(length=3.5, width=0.9)


def foot_line(heading: Heading) -> str:
    """The one grey line below a plot: where it comes from, and where the cautions stand.

    Captures are named as far as the line is long enough, then only counted.
    """
    first = f"bench {heading.bench}  ·  job {heading.job_id}"
    last = ""
    if heading.cautions:
        many = "1 caution" if heading.cautions == 1 else f"{heading.cautions} cautions"
        last = f"  ·  {many}: see the worksheet"
    count = len(heading.captures)
    if not count:
        return first + last
    named = f"  ·  captures {', '.join(heading.captures)}"
    if len(first + named + last) > FOOT_CHARACTERS:
        named = f"  ·  {count} captures"
    return first + named + last


def legend(figure: Figure, axes: Axes) -> None:
    """What each line is, in rows below the axes, which make room for them: it hides nothing."""
    handles, labels = axes.get_legend_handles_labels()
    if handles:
        longest = max(len(label) for label in labels) + LEGEND_LINE_CHARACTERS
        columns = max(1, min(len(handles), LEGEND_CHARACTERS // longest))
        rows = -(-len(handles) // columns)
        if rows > 1:
            place = axes.get_position()
            rise = (rows - 1) * LEGEND_ROW
            axes.set_position((place.x0, place.y0 + rise, place.width, place.height - rise))
        figure.legend(
            handles, labels, loc="center left",
            bbox_to_anchor=(AXES_LEFT - 0.012, LEGEND_Y + (rows - 1) * LEGEND_ROW / 2.0),
            ncols=columns, frameon=False, handlelength=3, columnspacing=1.8, fontsize=9.6,
        )  # fmt: skip


def _numbers(figure: Figure, numbers: Numbers, remarks: Sequence[str]) -> None:
    y = AXES_TOP - 0.004
    for label, value in numbers.rows:
        size = 9.2 * min(1.0, LABEL_CHARACTERS / len(label)) if label else 9.2
        figure.text(NUMBERS_LEFT, y, label, size=size, color=MUTED, va="top")
        lines = _value_lines(value)
        figure.text(NUMBERS_LEFT, y - 0.030, lines[0], size=12.5, weight="bold", va="top")
        if len(lines) > 1:
            figure.text(NUMBERS_LEFT, y - 0.067, lines[1], size=10, va="top")
        y -= 0.092 if len(lines) == 1 else 0.118
    y -= 0.008
    for text, colour in ((numbers.remark, MUTED), *((one, CAUTION) for one in remarks)):
        room = max(int((y - FOOT_Y - 0.02) / REMARK_LINE), 0)
        lines = textwrap.wrap(text, REMARK_CHARACTERS, max_lines=room, placeholder=" ...") if (
            room and text
        ) else []  # fmt: skip
        if lines:
            figure.text(
                NUMBERS_LEFT, y, "\n".join(lines), size=8.8, color=colour, va="top", linespacing=1.4
            )
            y -= REMARK_LINE * len(lines) + 0.012


def _value_lines(value: str) -> list[str]:
    """The value on one line and its uncertainty under it, where it would be too wide."""
    for mark, lead in ((" ± ", "± "), (" (", "("), (", ", "")):
        head, found, tail = value.partition(mark)
        if found:
            return [head, lead + tail]
    return [value]


class ScaledTicks(Formatter):
    """Tick labels in a unit, with as many decimals as the finest needs, the same for all."""

    MOST_DECIMALS = 6

    def __init__(self, factor: float) -> None:
        self._factor = factor
        self._decimals = 0

    def set_locs(self, locs: Any) -> None:
        """Told all tick places before the labels are asked for."""
        super().set_locs(locs)
        shown = [float(place) / self._factor for place in locs]
        self._decimals = next(
            (
                n
                for n in range(self.MOST_DECIMALS)
                if all(abs(round(v, n) - v) < 1e-9 for v in shown)
            ),
            self.MOST_DECIMALS,
        )

    def __call__(self, x: float, pos: int | None = None) -> str:
        """The label of one tick."""
        return f"{x / self._factor:.{self._decimals}f}"


def frequency_axis(
    axes: Axes, start_hz: float, stop_hz: float, told_hz: Sequence[float] = ()
) -> str:
    """Label the x axis, which is in Hz. Returns the unit.

    told_hz: frequencies that stand in words beside the plot. The axis takes the unit of the first
        of them, so that both read alike; without any, that of the middle of the sweep.
    """
    shown = unit_for(next(iter(told_hz), (start_hz + stop_hz) / 2.0), "Hz")
    axes.set_xlim(start_hz, stop_hz)
    scale = factor_of(shown)
    axes.xaxis.set_major_locator(_ScaledPlaces(scale))
    axes.xaxis.set_major_formatter(ScaledTicks(scale))
    axes.set_xlabel(f"Frequency, {shown}", labelpad=8)
    return shown


class _ScaledPlaces(MaxNLocator):
    """Round places in the unit that is shown."""

    def __init__(self, factor: float) -> None:
        super().__init__(nbins=9, steps=[1, 2, 2.5, 5, 10])
        self._factor = factor

    def tick_values(self, vmin: float, vmax: float) -> Any:
        """Places between two values in base units."""
        places = super().tick_values(vmin / self._factor, vmax / self._factor)
        return np.asarray(places, dtype=float) * self._factor


def save(figure: Figure, stem: Path) -> list[Path]:
    """Write `stem`.png and `stem`.svg, and return their paths. Call inside `style()`."""
    png, svg = stem.with_name(stem.name + ".png"), stem.with_name(stem.name + ".svg")
    figure.savefig(png, format="png", metadata={"Software": None})
    figure.savefig(svg, format="svg", metadata={"Date": None, "Creator": "benchd"})
    return [png, svg]
