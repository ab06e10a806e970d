"""Levels as the analyzer recorded them, before any normalising."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from matplotlib.axes import Axes
from matplotlib.figure import Figure

from benchd.report.figure import Heading, Numbers, frame, frequency_axis, legend
from benchd.report.palette import CAUTION, CURVE, DASHES, INK, MUTED, SERIES
from benchd.report.wording import band_words, duration_words, number_words
from benchd.sweeps import METHOD_WORDS
from benchd.traces import Capture, FloatArray, Form, Trace

LEAST_SPAN_DB = 6.0
MOST_CURVES = len(SERIES)
NOISE_DASHES = (0, (2, 2))


def level_db(trace: Trace) -> FloatArray:
    """The trace's values as a level or ratio in dB; a ratio of 0 becomes -inf.

    20 lg |ratio| for complex ratios.
    """
    if trace.form is Form.RATIO_COMPLEX:
        with np.errstate(divide="ignore"):
            return np.asarray(20 * np.log10(np.abs(trace.values)), dtype=np.float64)
    return trace.decibels


def noise_of(capture: Capture) -> Trace | None:
    """The analyzer's noise with RF off, as the capture read it beside its level; dBm."""
    return capture.trace("noise")


def draw_levels(captures: Sequence[Capture], heading: Heading) -> Figure:
    """Captures of one route in one plot. Call inside `figure.style()`.

    Up to four have a line of their own each; of more, the first and the last stand out. Bins that
    a `hold` sweep never visited are left out of the curve and marked on the axis.
    """
    if not captures:
        raise ValueError("a level plot takes at least one capture")
    is_level = captures[0].level.form is Form.LEVEL_DBM
    numbers = Numbers(_rows(captures))
    figure, axes = frame("Level at the analyzer" if is_level else "Ratio", heading, numbers)
    starts = [float(c.level.frequency_hz[0]) for c in captures]
    stops = [float(c.level.frequency_hz[-1]) for c in captures]
    frequency_axis(axes, min(starts), max(stops))
    axes.set_ylabel("Level, dBm" if is_level else "Ratio, dB", labelpad=8)
    if len(captures) <= MOST_CURVES:
        for capture, colour, dash in zip(captures, SERIES, DASHES, strict=False):
            axes.plot(
                capture.level.frequency_hz, _shown(capture), color=colour, linestyle=dash,
                linewidth=2.0, label=_name(capture), zorder=4,
            )  # fmt: skip
    else:
        _many(axes, captures)
    for capture in captures:
        if capture.level.visited is not None:
            _mark_gaps(axes, capture.level.frequency_hz[~capture.level.visited])
    _noise_floor(axes, captures)
    _limits(axes, captures)
    legend(figure, axes)
    return figure


def _shown(capture: Capture) -> FloatArray:
    values, visited = level_db(capture.level), capture.level.visited
    return values if visited is None else np.where(visited, values, np.nan)


def _many(axes: Axes, captures: Sequence[Capture]) -> None:
    """All of many alike in one pale colour, with the first and the last over them."""
    for number, capture in enumerate(captures[1:-1]):
        axes.plot(
            capture.level.frequency_hz, _shown(capture), color=CURVE, linewidth=0.9, alpha=0.35,
            zorder=3, label=f"{len(captures) - 2} between" if number == 0 else None,
        )  # fmt: skip
    for capture, colour, dash, which in (
        (captures[0], CURVE, DASHES[0], "first"),
        (captures[-1], INK, DASHES[1], "last"),
    ):
        axes.plot(
            capture.level.frequency_hz, _shown(capture), color=colour, linestyle=dash,
            linewidth=2.0, label=f"{which}: {_name(capture)}", zorder=4,
        )  # fmt: skip


def _name(capture: Capture) -> str:
    place = capture.route if capture.position is None else f"{capture.route}, {capture.position}"
    return f"{capture.role.value} ({place})"


def _limits(axes: Axes, captures: Sequence[Capture]) -> None:
    noises = [noise for capture in captures if (noise := noise_of(capture)) is not None]
    values = np.concatenate([level_db(trace) for trace in (*(c.level for c in captures), *noises)])
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
    """What the analyzer read with RF off: a level near it is not known well."""
    words: str | None = "noise floor, RF off"
    for capture in captures:
        noise = noise_of(capture)
        if noise is not None:
            axes.plot(
                noise.frequency_hz, level_db(noise), color=MUTED, linewidth=1.2,
                linestyle=NOISE_DASHES, label=words, zorder=2.5,
            )  # fmt: skip
            words = None


def _rows(captures: Sequence[Capture]) -> list[tuple[str, str]]:
    """The sweep as it was run, and the noise beside it."""
    capture = captures[0]
    s = capture.settings
    rows: list[tuple[str, str]] = []
    rows.append(("Sweep", METHOD_WORDS[s.method].partition(",")[0]))
    rows.append(("Span", band_words(s.start_hz, s.stop_hz, "Hz")))
    rows.append(("Points", f"{capture.level.frequency_hz.size}"))
    rows.append(("Source level", f"{s.level_dbm:g} dBm"))
    if s.resolution_bandwidth_hz:
        rows.append(("Resolution bandwidth", number_words(s.resolution_bandwidth_hz, "Hz")))
    rows.append(("Detector", s.detector))
    if s.dwell_s:
        dwell = s.dwell_s
        rows.append(("Dwell", number_words(dwell, "s") if dwell < 1 else duration_words(dwell)))
    noises = [level_db(noise) for one in captures if (noise := noise_of(one)) is not None]
    if noises:
        rows.append(("Noise floor, RF off", f"{float(np.median(np.concatenate(noises))):.0f} dBm"))
    return rows
