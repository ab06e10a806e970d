"""`leakage`: captures with the lid open and closed, and captures with RF off."""

from __future__ import annotations

import numpy as np

from benchd.known.captures import Sources, inputs
from benchd.reduce.qualify.leakage import Shielding, leakage_results, shielding, transmitters
from benchd.reductions.outcome import Outcome, finished
from benchd.reductions.series import grid_of, linearity_db, noise_dbm, series, stacked
from benchd.traces import Capture, Form, Trace
from benchd.worksheet import ReduceStep

NO_NOISE_DBM = -300.0
"""Stands for a noise reading that was not taken: every level then counts as measured."""


def reduce_leakage(sources: Sources, step: ReduceStep) -> Outcome:
    """Shielding per place and least of all, transmitters that enter, and the verdict.

    Raises ReductionRefused.
    """
    captures = inputs(sources, step)
    options = step.options
    pairs = zip(series(captures, "open"), series(captures, "closed"), strict=True)
    places = [
        _place(name, opened, closed, step)
        for name, (opened, closed) in zip(options["places"], pairs, strict=True)
    ]
    listened = series(captures, "ingress")
    heard = [
        one
        for capture in listened
        for one in transmitters(grid_of(capture), np.real(capture.level.values))
    ]
    size_db, is_known = linearity_db(sources.bench, captures["open"])
    results = leakage_results(
        places,
        options["at_hz"],
        linearity_db=size_db,
        is_linearity_known=is_known,
        least_db=options["least_db"],
        ingress=heard if listened else None,
        reading_dbm=options["reading_dbm"],
        most_disturbance_db=options["disturbance_db"],
    )
    traces = [
        Trace(f"shielding {one.place}", Form.RATIO_DB, one.frequency_hz, one.shielding_db)
        for one in places
    ]
    return finished(step, None, list(captures.values()), results, traces, noise_counts=True)


def _place(name: str, opened: Capture, closed: Capture, step: ReduceStep) -> Shielding:
    levels = stacked([opened, closed], step)
    grid = grid_of(opened)
    noise = noise_dbm(closed, grid)
    return shielding(name, grid, levels[0], levels[1], NO_NOISE_DBM if noise is None else noise)
