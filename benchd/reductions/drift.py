"""`drift`: a baseline watched over time."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Literal

import numpy as np
from pydantic import Field

from benchd.files.fields import Duration, PositiveRatio
from benchd.known.captures import BenchKnowledge, JobCaptures
from benchd.reduce.qualify.drift import DEFAULT_LIMIT_DB, drift_results
from benchd.reductions.base import CapturePatterns
from benchd.reductions.outcome import Outcome, finished
from benchd.reductions.qualification import Qualification
from benchd.reductions.registry import reduction
from benchd.reductions.repeated_captures import curve, grid_of, linearity_db, stacked
from benchd.traces import Capture, FloatArray


class Drift(Qualification):
    """The largest age that keeps drift within a limit, and what temperature does."""

    kind: Literal["drift"] = Field(description="drift")
    watched: CapturePatterns = Field(description="captures of the same thing, over time")
    limit_db: PositiveRatio = Field(
        DEFAULT_LIMIT_DB, alias="limit", description="most that a baseline may drift"
    )
    needed_s: Duration = Field(
        alias="needed_age", description="how old baselines get in use (max_age of the recipes)"
    )

    def series(self) -> Mapping[str, list[str]]:
        """The captures under the key watched."""
        return {"watched": self.watched}

    def least(self) -> Mapping[str, int]:
        """Three, since two cannot show whether the change follows a straight line."""
        return {"watched": 3}


@reduction(Drift)
def reduce_drift(settings: Drift, captures: JobCaptures, known: BenchKnowledge) -> Outcome:
    """The largest age of a baseline, the drift, the effect of temperature, and the verdict.

    Raises ReductionRefused.
    """
    watched = sorted(captures.all(settings.watched), key=lambda one: one.taken_at)
    levels = stacked(watched, captures.step)
    began = watched[0].taken_at
    times_s = np.array([(one.taken_at - began).total_seconds() for one in watched])
    grid = grid_of(watched[0])
    results = drift_results(
        grid,
        times_s,
        levels,
        limit_db=settings.limit_db,
        needed_s=settings.needed_s,
        temperature_c=_temperatures_c(watched),
        linearity_db=linearity_db(known.bench, watched[0])[0],
    )
    curves = [curve("drift_whole_watch", grid, np.ptp(levels, axis=0))]
    return finished(None, watched, results, curves)


def _temperatures_c(watched: list[Capture]) -> FloatArray | None:
    """Temperature of each capture, degrees Celsius; None if any capture lacks it."""
    found = [one.readings.get("temperature_c") for one in watched]
    known = [one for one in found if one is not None]
    return np.array(known) if len(known) == len(found) else None
