"""`drift`: one thing captured again and again over time."""

from __future__ import annotations

import numpy as np

from benchd.known.captures import Sources, inputs
from benchd.reduce.qualify.night import drift_results
from benchd.reductions.outcome import Outcome, finished
from benchd.reductions.series import grid_of, linearity_db, series, stacked
from benchd.traces import Capture, FloatArray, Form, Trace
from benchd.worksheet import ReduceStep


def reduce_drift(sources: Sources, step: ReduceStep) -> Outcome:
    """Largest age, drift, temperature's part, and the verdict.

    Raises ReductionRefused.
    """
    captures = inputs(sources, step)
    watched = sorted(series(captures, "watched"), key=lambda one: one.taken_at)
    levels = stacked(watched, step)
    began = watched[0].taken_at
    times_s = np.array([(one.taken_at - began).total_seconds() for one in watched])
    grid = grid_of(watched[0])
    results = drift_results(
        grid,
        times_s,
        levels,
        limit_db=step.options["limit_db"],
        needed_s=step.options["needed_s"],
        temperature_c=_temperatures_c(watched),
        linearity_db=linearity_db(sources.bench, watched[0])[0],
    )
    traces = [Trace("drift_whole_watch", Form.RATIO_DB, grid, np.ptp(levels, axis=0))]
    return finished(step, None, watched, results, traces)


def _temperatures_c(watched: list[Capture]) -> FloatArray | None:
    """Temperatures beside the captures; None unless every one has its own."""
    found = [one.readings.get("temperature_c") for one in watched]
    known = [one for one in found if one is not None]
    return np.array(known) if len(known) == len(found) else None
