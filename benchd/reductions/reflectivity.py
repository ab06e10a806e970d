"""`reflectivity`: captures of an antenna at places along and across the range."""

from __future__ import annotations

import numpy as np

from benchd.known.captures import Sources, inputs
from benchd.reduce.qualify.reflectivity import Line, reflectivity_results, walls
from benchd.reductions.outcome import Outcome, finished
from benchd.reductions.series import grid_of, reported_hz, series, stacked
from benchd.traces import Capture, FloatArray, Form, Trace
from benchd.worksheet import ReduceStep


def reduce_reflectivity(sources: Sources, step: ReduceStep) -> Outcome:
    """Reflected level and spreads at frequencies, usable range, and the verdict.

    Raises ReductionRefused.
    """
    captures = inputs(sources, step)
    options = step.options
    lines = []
    first: Capture | None = None
    for key, name in (("along", "end walls"), ("across", "side walls")):
        taken = series(captures, key)
        if not taken:
            continue
        first = first or taken[0]
        levels = stacked(taken, step, first)
        distance_m = _distances_m(key, len(taken), options["step_m"], options["range_length_m"])
        lines.append(Line(name, levels, distance_m, (len(taken) - 1) * options["step_m"]))
    assert first is not None, "the worksheet guarantees a line"
    grid = grid_of(first)
    found = walls(grid, lines)
    results = reflectivity_results(
        found,
        reported_hz(step, grid),
        needed_hz=options["needed_hz"],
        claim_db=options["claim_db"],
    )
    traces = [
        Trace("box_gain_spread", Form.RATIO_DB, grid, found.gain_sd_db),
        *(
            Trace(f"reflected_level {name}", Form.RATIO_DB, grid, levels)
            for name, levels in found.reflected_db.items()
        ),
    ]
    return finished(step, first.antenna, list(captures.values()), results, traces)


def _distances_m(key: str, count: int, step_m: float, length_m: float) -> FloatArray:
    """From the other antenna to each place: nearer step by step, or aside about the axis."""
    if key == "along":
        return np.asarray(length_m - step_m * np.arange(count), dtype=np.float64)
    aside_m = step_m * (np.arange(count) - (count - 1) / 2.0)
    return np.asarray(np.hypot(length_m, aside_m), dtype=np.float64)
