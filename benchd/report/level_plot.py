"""Recorded levels over frequency: what the analyzer saw, before any normalising."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from matplotlib.axes import Axes
from matplotlib.figure import Figure

from benchd.report.figure import Heading, Numbers, frame, frequency_axis
from benchd.report.palette import CAUTION, DASHES, MUTED, SERIES
from benchd.report.wording import band_words, duration_words, number_words
from benchd.traces import Capture, FloatArray, Form, Trace

LEAST_SPAN_DB = 6.0
MOST_CURVES = len(SERIES)

_METHODS = {
    "stepped": "stepped, point by point",
    "hold": "free-running source, max hold",
    "tracking": "tracking source",
    "vector": "network analyzer",
}


def level_db(trace: Trace) -> FloatArray:
    """The trace's values as a level or ratio in dB; a ratio of 0 becomes -inf.

    20 lg |ratio| for complex ratios.
    """
    if trace.form is Form.RATIO_COMPLEX:
        with np.errstate(divide="ignore"):
            return np.asarray(20 * np.log10(np.abs(trace.values)), dtype=np.float64)
    return trace.values.real


def draw_levels(captures: Sequence[Capture], heading: Heading) -> Figure:
    """One to four captures in one plot. Call inside `figure.style()`.

    Bins that a `hold` sweep never visited are left out of the curve and marked on the axis.
    """
    if not 1 <= len(captures) <= MOST_CURVES:
        raise ValueError(f"a level plot takes 1 to {MOST_CURVES} captures, not {len(captures)}")
    is_level = captures[0].level.form is Form.LEVEL_DBM
    numbers = Numbers(_rows(captures[0]))
    figure, axes = frame("Level at the analyzer" if is_level else "Ratio", heading, numbers)
    starts = [float(c.level.frequency_hz[0]) for c in captures]
    stops = [float(c.level.frequency_hz[-1]) for c in captures]
    frequency_axis(axes, min(starts), max(stops))
    axes.set_ylabel("Level, dBm" if is_level else "Ratio, dB", labelpad=8)
    _limits(axes, captures)
    for capture, colour, dash in zip(captures, SERIES, DASHES, strict=False):
        trace = capture.level
        values = level_db(trace)
        if trace.visited is not None:
            values = np.where(trace.visited, values, np.nan)
        axes.plot(
            trace.frequency_hz, values, color=colour, linestyle=dash, linewidth=2.0,
            label=_name(capture), zorder=4,
        )  # fmt: skip
    for capture in captures:
        if capture.level.visited is not None:
            _mark_gaps(axes, capture.level.frequency_hz[~capture.level.visited])
    _noise_floor(axes, captures)
    axes.legend(loc="best", frameon=True, framealpha=0.85, edgecolor="none", handlelength=3)
    return figure


def _name(capture: Capture) -> str:
    place = capture.route if capture.position is None else f"{capture.route}, {capture.position}"
    return f"{capture.role.value} ({place})"


def _limits(axes: Axes, captures: Sequence[Capture]) -> None:
    values = np.concatenate([level_db(c.level) for c in captures])
    values = values[np.isfinite(values)]
    if not values.size:
        return
    low, high = float(values.min()), float(values.max())
    room = max(LEAST_SPAN_DB - (high - low), 0.0) / 2 + 0.10 * max(high - low, LEAST_SPAN_DB)
    axes.set_ylim(low - room, high + room)


def _mark_gaps(axes: Axes, frequency_hz: FloatArray) -> None:
    if frequency_hz.size:
        axes.plot(
            frequency_hz, np.full(frequency_hz.shape, 0.012), transform=axes.get_xaxis_transform(),
            linestyle="none", marker="|", markersize=9, color=CAUTION,
            label=f"{frequency_hz.size} bins never saw the source", zorder=5,
        )  # fmt: skip


def _noise_floor(axes: Axes, captures: Sequence[Capture]) -> None:
    floors = [c.readings["noise_floor_dbm"] for c in captures if "noise_floor_dbm" in c.readings]
    low, high = axes.get_ylim()
    if floors and low < max(floors) < high:
        axes.axhline(
            max(floors), color=MUTED, linewidth=1.2, linestyle=(0, (2, 2)), label="noise floor"
        )


def _rows(capture: Capture) -> list[tuple[str, str]]:
    """The sweep as it was run, as far as its settings say."""
    s = capture.settings
    rows: list[tuple[str, str]] = []
    if "method" in s:
        rows.append(("Sweep", str(_METHODS.get(str(s["method"]), s["method"])).partition(",")[0]))
    if "start_hz" in s and "stop_hz" in s:
        rows.append(("Span", band_words(float(s["start_hz"]), float(s["stop_hz"]), "Hz")))
    rows.append(("Points", f"{capture.level.frequency_hz.size}"))
    if "level_dbm" in s:
        rows.append(("Source level", f"{float(s['level_dbm']):g} dBm"))
    if s.get("resolution_bandwidth_hz"):
        bandwidth = number_words(float(s["resolution_bandwidth_hz"]), "Hz")
        rows.append(("Resolution bandwidth", bandwidth))
    if s.get("detector"):
        rows.append(("Detector", str(s["detector"])))
    if s.get("dwell_s"):
        dwell = float(s["dwell_s"])
        rows.append(("Dwell", number_words(dwell, "s") if dwell < 1 else duration_words(dwell)))
    return rows
