"""The frame that every plot has: heading, axes, a column of numbers, footer; and saving it.

Drawn with matplotlib's Agg and SVG back ends, without pyplot, so that nothing global is touched
and no display is needed. The same input gives the same bytes with the same matplotlib.
"""

from __future__ import annotations

import re
import textwrap
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass, field
from datetime import UTC, datetime, tzinfo
from pathlib import Path
from typing import Any, cast

import matplotlib as mpl
from matplotlib.axes import Axes
from matplotlib.backends.backend_agg import FigureCanvasAgg
from matplotlib.figure import Figure
from matplotlib.ticker import Formatter, MaxNLocator

from benchd.moments import time_words
from benchd.report.palette import CAUTION, GRID, INK, MUTED, PAPER, RULE
from benchd.report.wording import factor_of, unit_for

WIDTH_IN, HEIGHT_IN, DOTS_PER_INCH = 11.0, 6.6, 150
AXES_LEFT, AXES_RIGHT_WITH_NUMBERS, AXES_RIGHT_ALONE = 0.075, 0.705, 0.965
AXES_TOP = 0.815
NUMBERS_LEFT = 0.785
LABEL_CHARACTERS = 33  # what fits beside the axes at full size; a longer label is set smaller

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
}


@dataclass(frozen=True)
class Heading:
    """What stands above and below a plot.

    antenna: name with its revision, or what the plot is of.
    zone: of the bench; the moment is written in it.
    cautions: sentences that must not be overlooked; flags in words belong here too.
    """

    antenna: str
    recipe: str
    moment: datetime
    bench: str
    job_id: str
    captures: Sequence[str] = ()
    cautions: Sequence[str] = ()
    zone: tzinfo = UTC


@dataclass(frozen=True)
class Numbers:
    """The column beside the axes: (label, value) rows, and a remark under them."""

    rows: Sequence[tuple[str, str]] = field(default_factory=tuple)
    remark: str = ""


@contextmanager
def style() -> Iterator[None]:
    """matplotlib's settings for a plot of ours, put back afterwards."""
    # The stubs type the keys as one long Literal, which a dict of ours cannot have.
    with mpl.rc_context(cast(Any, _STYLE)):
        yield


def frame(what: str, heading: Heading, numbers: Numbers | None = None) -> tuple[Figure, Axes]:
    """An empty plot with its heading, footer and numbers. Call inside `style()`."""
    foot = _foot_lines(heading)
    height_in = HEIGHT_IN + FOOT_LINE_IN * max(len(foot) - FOOT_LINES_IN_HEIGHT, 0)
    figure = Figure(figsize=(WIDTH_IN, height_in), dpi=DOTS_PER_INCH)
    FigureCanvasAgg(figure)
    figure.text(AXES_LEFT, 0.935, heading.antenna, size=18, weight="bold", va="center")
    taken = time_words(heading.moment, heading.zone)
    figure.text(
        AXES_LEFT, 0.888, f"{what}  ·  recipe {heading.recipe}  ·  {taken}",
        size=11, color=MUTED, va="center",
    )  # fmt: skip
    bottom = _footer(figure, foot, height_in)
    right = AXES_RIGHT_ALONE if numbers is None else AXES_RIGHT_WITH_NUMBERS
    axes = figure.add_axes((AXES_LEFT, bottom, right - AXES_LEFT, AXES_TOP - bottom))
    for side in ("top", "right"):
        axes.spines[side].set_visible(False)
    axes.tick_params(length=3.5, width=0.9)
    if numbers is not None:
        _numbers(figure, numbers)
    return figure, axes


FOOT_LINE_IN, FOOT_MARGIN_IN, FOOT_GAP_IN = 0.172, 0.145, 0.825
FOOT_LINES_IN_HEIGHT = 5  # more of them make the paper taller, not the axes smaller


def _foot_lines(heading: Heading) -> list[tuple[str, float, str]]:
    """Text, size and colour of each line below the axes."""
    about = f"bench {heading.bench}  ·  job {heading.job_id}"
    if heading.captures:
        about += f"  ·  captures {', '.join(heading.captures)}"
    cautions = [(text, 8.8, CAUTION) for text in caution_lines(heading.cautions)]
    return [*cautions, *((text, 8.0, MUTED) for text in textwrap.wrap(about, 150))]


def _footer(figure: Figure, lines: Sequence[tuple[str, float, str]], height_in: float) -> float:
    """Write the footer and return where the axes may begin, as a fraction of the height."""
    for number, (text, size, colour) in enumerate(reversed(lines)):
        y_in = FOOT_MARGIN_IN + FOOT_LINE_IN * number
        figure.text(AXES_LEFT, y_in / height_in, text, size=size, color=colour, va="center")
    top_in = FOOT_MARGIN_IN + FOOT_LINE_IN * (len(lines) - 1)
    return (top_in + FOOT_GAP_IN) / height_in


def caution_lines(cautions: Sequence[str]) -> list[str]:
    """The first sentence of every caution, whole, each on lines of its own.

    The worksheet has the sentences after the first, which say what to do about it.
    """
    lines: list[str] = []
    for caution in cautions:
        first = re.split(r"(?<=[.!])\s", " ".join(caution.split()), maxsplit=1)[0]
        lines += textwrap.wrap(first, 135)
    return lines


def _numbers(figure: Figure, numbers: Numbers) -> None:
    y = AXES_TOP - 0.004
    for label, value in numbers.rows:
        size = 9.2 * min(1.0, LABEL_CHARACTERS / len(label)) if label else 9.2
        figure.text(NUMBERS_LEFT, y, label, size=size, color=MUTED, va="top")
        lines = _value_lines(value)
        figure.text(NUMBERS_LEFT, y - 0.030, lines[0], size=12.5, weight="bold", va="top")
        if len(lines) > 1:
            figure.text(NUMBERS_LEFT, y - 0.067, lines[1], size=10, va="top")
        y -= 0.092 if len(lines) == 1 else 0.118
    if numbers.remark:
        text = "\n".join(textwrap.wrap(numbers.remark, 34))
        figure.text(NUMBERS_LEFT, y - 0.008, text, size=8.8, color=MUTED, va="top", linespacing=1.4)


def _value_lines(value: str) -> list[str]:
    """The value on one line and its uncertainty under it, where it would be too wide."""
    for mark, lead in ((" ± ", "± "), (" (", "("), (", ", "")):
        head, found, tail = value.partition(mark)
        if found:
            return [head, lead + tail]
    return [value]


class _FrequencyTicks(Formatter):
    """Tick labels with as many decimals as the finest of them needs, the same for all."""

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


def frequency_axis(axes: Axes, start_hz: float, stop_hz: float) -> str:
    """Label the x axis, which is in Hz, in the unit that suits it. Returns that unit."""
    shown = unit_for(stop_hz, "Hz")
    axes.set_xlim(start_hz, stop_hz)
    axes.xaxis.set_major_locator(MaxNLocator(nbins=9, steps=[1, 2, 2.5, 5, 10]))
    axes.xaxis.set_major_formatter(_FrequencyTicks(factor_of(shown)))
    axes.set_xlabel(f"Frequency, {shown}", labelpad=8)
    return shown


def save(figure: Figure, stem: Path) -> list[Path]:
    """Write `stem`.png and `stem`.svg, and return their paths. Call inside `style()`."""
    png, svg = stem.with_name(stem.name + ".png"), stem.with_name(stem.name + ".svg")
    figure.savefig(png, format="png", metadata={"Software": None})
    figure.savefig(svg, format="svg", metadata={"Date": None, "Creator": "benchd"})
    return [png, svg]
