"""Names of lines and bands, in lanes above the axes: a label hides nothing there.

Each label stands as near to its place as the others let it. Where two would overlap, the later
one goes to its other side, then one lane higher.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any, cast

from matplotlib.axes import Axes
from matplotlib.backends.backend_agg import FigureCanvasAgg

LANE_POINTS, FIRST_LANE_POINTS, MOST_LANES = 14.5, 6.0, 3
GAP_POINTS, BESIDE_POINTS, POINTS_PER_INCH = 5.0, 3.0, 72.0


@dataclass(frozen=True, slots=True)
class Label:
    """A name for a place on the x axis.

    x: in data units. side: on which side of the place it stands best; -1 left, 1 right, 0 centred
    over it. bold: for a line of its own; a band's name is plain.
    """

    x: float
    text: str
    colour: str
    side: int = 1
    bold: bool = True


def draw_labels(axes: Axes, labels: Sequence[Label]) -> None:
    """Write the labels above the axes. The limits of the x axis must be final."""
    canvas = axes.figure.canvas
    assert isinstance(canvas, FigureCanvasAgg)
    renderer = cast(Any, canvas).get_renderer()
    point = axes.figure.dpi / POINTS_PER_INCH
    box = axes.get_window_extent(renderer)
    lanes: list[list[tuple[float, float]]] = [[] for _ in range(MOST_LANES)]
    for label in labels:
        text = axes.annotate(
            label.text, (0, 0), size=9.8, weight="bold" if label.bold else "normal",
            color=label.colour, va="bottom", ha="left", annotation_clip=False,
            xycoords="figure pixels", zorder=8,
        )  # fmt: skip
        width = text.get_window_extent(renderer).width
        at = float(axes.transData.transform((label.x, 0.0))[0])
        lane, left = _room(lanes, label.side, at, width, point, (box.x0, box.x1))
        lanes[lane].append((left, left + width))
        text.xy = (0.0, 1.0)
        text.xycoords = "axes fraction"
        shift = (left - box.x0) / point
        text.set_position((shift, FIRST_LANE_POINTS + LANE_POINTS * lane))
        text.anncoords = "offset points"
        if lane and label.side:
            # A stem joins the name to its line, past the lane below. A band is seen without.
            up = 1.0 + (FIRST_LANE_POINTS + LANE_POINTS * lane) * point / box.height
            axes.plot(
                [label.x, label.x], [1.0, up], transform=axes.get_xaxis_transform(),
                color=label.colour, linewidth=0.8, clip_on=False, zorder=2,
            )  # fmt: skip


def _room(
    lanes: Sequence[Sequence[tuple[float, float]]],
    side: int,
    at: float,
    width: float,
    point: float,
    edges: tuple[float, float],
) -> tuple[int, float]:
    """The lane and the left end, in pixels, where a label of some width has room."""
    for lane, taken in enumerate(lanes):
        for way in (side, -side) if side else (0,):
            left = at - width / 2 if way == 0 else at + way * BESIDE_POINTS * point
            left = left - width if way < 0 else left
            left = min(max(left, edges[0]), max(edges[0], edges[1] - width))
            gap = GAP_POINTS * point
            if all(left + width + gap <= low or left >= high + gap for low, high in taken):
                return lane, left
    return len(lanes) - 1, left
