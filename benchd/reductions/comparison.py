"""`comparison`: repeated captures of two conditions of the bench."""

from __future__ import annotations

from benchd.known.captures import Sources, inputs
from benchd.reduce.compare import compare
from benchd.reduce.knowledge import Known
from benchd.reduce.qualify.question import question_results
from benchd.reductions.outcome import Outcome, finished
from benchd.reductions.series import grid_of, reported_hz, series, stacked
from benchd.traces import Form, Trace
from benchd.worksheet import ReduceStep


def reduce_comparison(sources: Sources, step: ReduceStep) -> Outcome:
    """Differences, what would have been seen, and the verdict.

    Raises ReductionRefused.
    """
    captures = inputs(sources, step)
    first, second = series(captures, "first"), series(captures, "second")
    one, other = stacked(first, step), stacked(second, step, first[0])
    stated = step.options["repeatability_db"]
    grid = grid_of(first[0])
    known = None if stated is None else Known(stated)
    found = compare(one, other, repeatability_db=known, frequency_hz=grid)
    names = step.options["names"]
    results = question_results(
        grid,
        found,
        reported_hz(step, grid),
        repeats=(one.shape[0], other.shape[0]),
        names=(names[0], names[1]),
        worth_db=step.options["worth_db"],
    )
    traces = [
        Trace("difference", Form.RATIO_DB, grid, found.difference_db),
        Trace("difference/low", Form.RATIO_DB, grid, found.difference_db - found.limit_db),
        Trace("difference/high", Form.RATIO_DB, grid, found.difference_db + found.limit_db),
    ]
    return finished(step, first[0].antenna, list(captures.values()), results, traces)
