"""`repeatability`: captures after reconnecting, and after bending the cable."""

from __future__ import annotations

from benchd.known.captures import Sources, inputs
from benchd.reduce.qualify.repeatability import repeatability_results
from benchd.reduce.qualify.spreads import spread_db
from benchd.reductions.outcome import Outcome, finished
from benchd.reductions.series import grid_of, reported_hz, series, stacked
from benchd.traces import Form, Trace
from benchd.worksheet import ReduceStep


def reduce_repeatability(sources: Sources, step: ReduceStep) -> Outcome:
    """Spreads over the band and at frequencies, and the verdict.

    Raises ReductionRefused.
    """
    captures = inputs(sources, step)
    joined, bent = series(captures, "joined"), series(captures, "bent")
    levels = stacked(joined, step)
    grid = grid_of(joined[0])
    results = repeatability_results(
        grid,
        levels,
        reported_hz(step, grid),
        limit_db=step.options["limit_db"],
        bent_db=stacked(bent, step, joined[0]) if bent else None,
    )
    traces = [Trace("repeatability_spread", Form.RATIO_DB, grid, spread_db(levels))]
    return finished(step, joined[0].antenna, list(captures.values()), results, traces)
