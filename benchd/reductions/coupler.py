"""`coupler`: effective directivity and source match seen at a port."""

from __future__ import annotations

import math
from collections.abc import Iterator, Mapping
from dataclasses import replace
from typing import Literal

import numpy as np
from pydantic import Field

from benchd.bench import Bench, CouplerFixture
from benchd.files.fields import Duration, PositiveRatio
from benchd.known.captures import BenchKnowledge, JobCaptures
from benchd.known.reflection import joint_reflection
from benchd.reduce.budget_inputs import Known
from benchd.reduce.qualify.coupler import (
    DEFAULT_LEAST_DIRECTIVITY_DB,
    coupler_results,
    offset_phase_rad,
    open_phase_rad,
    positive_db,
    reflectometer,
)
from benchd.reduce.qualify.joint import Joint, joint_results, joint_spread
from benchd.reductions.base import CapturePatterns, Finding, View
from benchd.reductions.outcome import Outcome, finished
from benchd.reductions.qualification import Qualification
from benchd.reductions.registry import reduction
from benchd.reductions.repeated_captures import (
    curve,
    grid_of,
    linearity_db,
    noise_dbm,
    reported_hz,
    stacked,
)
from benchd.traces import Capture, FloatArray


class Coupler(Qualification):
    """From open, short and load; a short behind a known line shows the whole source match, a load
    at three or more places of a sliding line takes its own reflection out; the load taken off
    and fitted again shows what a joint made anew reflects of its own.
    """

    kind: Literal["coupler"] = Field(description="coupler")
    opens: CapturePatterns = Field(alias="open", description="capture of the open")
    shorts: CapturePatterns = Field(alias="short", description="capture of the short")
    loads: CapturePatterns = Field(
        alias="load", description="capture of the load, or of one load at several places"
    )
    refits: CapturePatterns | None = Field(
        None, description="captures of the load, taken off and fitted again before each"
    )
    offset_shorts: CapturePatterns | None = Field(
        None, alias="offset_short", description="capture of a short behind a known line"
    )
    offset_delay_s: Duration | None = Field(
        None, alias="offset_delay", description="one-way delay of that line"
    )
    load_match_db: PositiveRatio = Field(
        alias="load_match", description="return loss that is stated for the load"
    )
    least_db: PositiveRatio = Field(
        DEFAULT_LEAST_DIRECTIVITY_DB, alias="least", description="directivity that is needed"
    )

    def series(self) -> Mapping[str, list[str]]:
        """The captures of open, short and load, and of refits and offset_short if there are any."""
        found = {"open": self.opens, "short": self.shorts, "load": self.loads}
        if self.refits:
            found["refits"] = self.refits
        return found | ({"offset_short": self.offset_shorts} if self.offset_shorts else {})

    def least(self) -> Mapping[str, int]:
        """Fewest captures of each. Three refits and the first fit are four readings, from which a
        standard deviation is known to about 40 %."""
        return {"refits": 3}

    def check(self, view: View) -> Iterator[Finding]:
        """Check that the route measures reflection, and that an offset short has its delay."""
        yield from super().check(view)
        for key, names in self.series().items():
            for index, name in enumerate(names):
                route = view.captures[name].route
                if view.bench.routes[route].kind != "reflection":
                    yield (key, index), f'"{name}" was taken on "{route}", a transmission'
        if self.offset_shorts and not self.offset_delay_s:
            yield ("offset_short",), 'needs "offset_delay", the one-way delay of its line'


@reduction(Coupler)
def reduce_coupler(settings: Coupler, captures: JobCaptures, known: BenchKnowledge) -> Outcome:
    """Effective directivity and source match, compared with what the bench file states.

    Raises ReductionRefused.
    """
    first = captures.named(settings.opens[0])
    grid = grid_of(first)
    standards = (
        (settings.opens, open_phase_rad(grid)),
        (settings.shorts, np.full(grid.shape, math.pi)),
        (settings.offset_shorts, offset_phase_rad(grid, settings.offset_delay_s or 0.0)),
    )
    reflects: list[tuple[FloatArray, FloatArray]] = [
        (level, phase)
        for names, phase in standards
        if names
        for level in stacked(captures.all(names), captures.step, first)
    ]
    loads = captures.all(settings.loads)
    noise = noise_dbm(loads[0], grid)
    found = reflectometer(
        grid,
        reflects,
        list(stacked(loads, captures.step, first)),
        load_match_db=settings.load_match_db,
        noise_dbm=-math.inf if noise is None else float(noise.max()),
    )
    refits = captures.all(settings.refits)
    joint = None
    if refits:
        # A single load capture counts as one more fit. Several are one sliding load at several
        # places, and are no refits.
        fits = [*loads, *refits] if len(loads) == 1 else refits
        joint = joint_spread(stacked(fits, captures.step, first), found)
    found = replace(found, joint=_joint_known(known.bench, first, joint))
    size_db, is_known = linearity_db(known.bench, first)
    directivity_db, match_db = _stated(known.bench, first)
    results = coupler_results(
        found,
        reported_hz(settings.at_hz, grid),
        linearity_db=size_db,
        is_linearity_known=is_known,
        stated_directivity_db=directivity_db,
        stated_match_db=match_db,
        least_directivity_db=settings.least_db,
    )
    curves = [
        curve("effective_directivity", grid, found.directivity_db),
        curve("effective_source_match", grid, positive_db(found.source_match)),
    ]
    if joint is not None:
        results = [*joint_results(joint, reported_hz(settings.at_hz, grid)), *results]
        curves.append(curve("joint_reflection", grid, joint.reflection_db))
    return finished(None, captures.of(settings), results, curves, noise_counts=True)


def _joint_known(bench: Bench, capture: Capture, joint: Joint | None) -> Known:
    """Reflection (linear, along one direction) that a new joint of this port adds.

    It is taken from the refits of the load, else from the bench file, else it is the default.
    """
    if joint is not None:
        size = float(np.sqrt(np.mean(joint.sd**2)))
        return Known(size, degrees_of_freedom=joint.degrees_of_freedom)
    grid = grid_of(capture)
    out = bench.routes[capture.route].out
    return joint_reflection(bench, out, float(grid[0]), float(grid[-1]))


def _stated(bench: Bench, capture: Capture) -> tuple[float | None, float | None]:
    """The smallest stated directivity and source match over the sweep, dB."""
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
