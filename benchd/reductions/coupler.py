"""`coupler`: captures of open, short, load and what else there is, to error sizes."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np

from benchd.bench import Bench, CouplerFixture
from benchd.known.captures import Sources, inputs
from benchd.known.reflection import joint_reflection
from benchd.reduce.knowledge import Known
from benchd.reduce.qualify.coupler import (
    coupler_results,
    offset_phase_rad,
    open_phase_rad,
    positive_db,
    reflectometer,
)
from benchd.reduce.qualify.joint import Joint, joint_results, joint_spread
from benchd.reductions.outcome import Outcome, finished
from benchd.reductions.series import (
    grid_of,
    linearity_db,
    noise_dbm,
    reported_hz,
    series,
    stacked,
)
from benchd.traces import Capture, FloatArray, Form, Trace
from benchd.worksheet import ReduceStep


def reduce_coupler(sources: Sources, step: ReduceStep) -> Outcome:
    """Effective directivity and source match, held against what the bench file states.

    Raises ReductionRefused.
    """
    captures = inputs(sources, step)
    options = step.options
    first = captures["open"]
    grid = grid_of(first)
    phases = {
        "open": open_phase_rad(grid),
        "short": np.full(grid.shape, math.pi),
        "offset_short": offset_phase_rad(grid, options["offset_delay_s"] or 0.0),
    }
    reflects: list[tuple[FloatArray, FloatArray]] = [
        (level, phase)
        for key, phase in phases.items()
        if (taken := series(captures, key))
        for level in stacked(taken, step, first)
    ]
    loads = series(captures, "load")
    noise = noise_dbm(loads[0], grid)
    found = reflectometer(
        grid,
        reflects,
        list(stacked(loads, step, first)),
        load_match_db=options["load_match_db"],
        noise_dbm=-math.inf if noise is None else float(noise.max()),
    )
    refits = series(captures, "refits")
    joint = None
    if refits:
        # One load as it was fitted first is one fit more; several are one load in several places.
        fits = [*loads, *refits] if len(loads) == 1 else refits
        joint = joint_spread(stacked(fits, step, first), found)
    found = replace(found, joint=_joint_known(sources.bench, first, joint))
    size_db, is_known = linearity_db(sources.bench, first)
    directivity_db, match_db = _stated(sources.bench, first)
    results = coupler_results(
        found,
        reported_hz(step, grid),
        linearity_db=size_db,
        is_linearity_known=is_known,
        stated_directivity_db=directivity_db,
        stated_match_db=match_db,
        least_directivity_db=options["least_db"],
    )
    traces = [
        Trace("effective_directivity", Form.RATIO_DB, grid, found.directivity_db),
        Trace("effective_source_match", Form.RATIO_DB, grid, positive_db(found.source_match)),
    ]
    if joint is not None:
        results = [*joint_results(joint, reported_hz(step, grid)), *results]
        traces.append(Trace("joint_reflection", Form.RATIO_DB, grid, joint.reflection_db))
    return finished(step, None, list(captures.values()), results, traces, noise_counts=True)


def _joint_known(bench: Bench, capture: Capture, joint: Joint | None) -> Known:
    """What a joint of this port reflects along one direction, linear: as the refits of the load
    show it, else as the bench file states it, else the default."""
    if joint is not None:
        size = float(np.sqrt(np.mean(joint.sd**2)))
        return Known(size, degrees_of_freedom=joint.degrees_of_freedom)
    grid = grid_of(capture)
    out = bench.routes[capture.route].out
    return joint_reflection(bench, out, float(grid[0]), float(grid[-1]))


def _stated(bench: Bench, capture: Capture) -> tuple[float | None, float | None]:
    """Least directivity and source match that the bench file states over the sweep."""
    low_hz, high_hz = float(grid_of(capture)[0]), float(grid_of(capture)[-1])
    for element in bench.routes[capture.route].out:
        fixture = bench.fixtures.get(element.partition(".")[0])
        if isinstance(fixture, CouplerFixture):
            match = fixture.source_match_db
            return (
                fixture.directivity_db.least(low_hz, high_hz),
                None if match is None else match.least(low_hz, high_hz),
            )
    return None, None
