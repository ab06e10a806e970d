"""Many captures taken alike: as one array over repeats and frequency."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from benchd.bench import Bench
from benchd.errors import ReductionRefused
from benchd.reduce.compatibility import description, differences
from benchd.traces import Capture, FloatArray
from benchd.worksheet import ReduceStep

REPORTED_POINTS = 21
"""Frequencies at which a qualification reports: what it measures changes slowly (couplers,
connectors, boxes), and budgets interpolate between them."""


def series(captures: dict[str, Capture], key: str) -> list[Capture]:
    """The captures of one list (key, key_2, ...), in order; empty where it was left out."""
    found = []
    number = 1
    while (name := key if number == 1 else f"{key}_{number}") in captures:
        found.append(captures[name])
        number += 1
    return found


def stacked(taken: Sequence[Capture], step: ReduceStep, like: Capture | None = None) -> FloatArray:
    """Levels in dBm, shape (captures, n). Raises ReductionRefused where one was taken otherwise
    than the first, or than `like`.
    """
    first = like or taken[0]
    for capture in taken:
        apart = differences(description(first), description(capture))
        if apart:
            raise ReductionRefused(
                f'"{capture.step}" was taken otherwise than "{first.step}", which is called the '
                f"baseline here: {'; '.join(apart)}",
                where=step.label,
                advice="Take all captures of one qualification with the same settings.",
            )
    return np.array([np.real(capture.level.values) for capture in taken], dtype=float)


def grid_of(capture: Capture) -> FloatArray:
    """Its frequencies, Hz."""
    return capture.level.frequency_hz


def reported_hz(step: ReduceStep, frequency_hz: FloatArray) -> list[float]:
    """The frequencies asked for, and enough of the grid for later budgets to know the band."""
    places = np.linspace(0, frequency_hz.size - 1, min(REPORTED_POINTS, frequency_hz.size))
    some = frequency_hz[np.unique(np.round(places).astype(int))].tolist()
    asked = [float(one) for one in step.options["at_hz"]]
    return sorted({*asked, *some})


def noise_dbm(capture: Capture, frequency_hz: FloatArray) -> FloatArray | None:
    """The analyzer's reading with RF off, brought onto a grid; None where it was not taken."""
    for trace in capture.traces:
        if trace.name == "noise":
            level = np.interp(frequency_hz, trace.frequency_hz, np.real(trace.values))
            return np.asarray(level, dtype=np.float64)
    return None


def linearity_db(bench: Bench, capture: Capture) -> tuple[float, bool]:
    """Half-width of the analyzer's scale error, and whether the bench file states it."""
    stated = bench.analyzer_of(bench.routes[capture.route]).linearity_db
    # Unstated, the half-width of `benchd.reduce.knowledge` is taken.
    return (0.3, False) if stated is None else (stated, True)
