"""`stillness`: repeated sweeps with people moving and with nobody moving."""

from __future__ import annotations

from benchd.known.captures import Sources, inputs
from benchd.reduce.qualify.stillness import movement, stillness_results
from benchd.reductions.outcome import Outcome, finished
from benchd.reductions.series import grid_of, reported_hz, series, stacked
from benchd.traces import Form, Trace
from benchd.worksheet import ReduceStep


def reduce_stillness(sources: Sources, step: ReduceStep) -> Outcome:
    """Spreads with the lid closed and open, and the verdict.

    Raises ReductionRefused.
    """
    captures = inputs(sources, step)
    still = series(captures, "still")
    own = stacked(still, step)
    moved = {
        lid: movement(stacked(series(captures, lid), step, still[0]), own)
        for lid in ("closed", "open")
        if series(captures, lid)
    }
    grid = grid_of(still[0])
    results = stillness_results(
        grid,
        moved["closed"],
        moved.get("open"),
        reported_hz(step, grid),
        step.options["limit_db"],
    )
    traces = [
        Trace(f"stillness_spread_{lid}", Form.RATIO_DB, grid, one.moving_db)
        for lid, one in moved.items()
    ]
    return finished(step, still[0].antenna, list(captures.values()), results, traces)
