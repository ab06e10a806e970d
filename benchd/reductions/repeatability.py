"""`repeatability`: how much levels scatter when cables are reconnected and bent."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Literal

from pydantic import Field

from benchd.files.fields import PositiveRatio
from benchd.known.captures import BenchKnowledge, JobCaptures
from benchd.reduce.qualify.repeatability import DEFAULT_LIMIT_DB, repeatability_results
from benchd.reduce.qualify.spreads import spread_db
from benchd.reductions.base import CapturePatterns
from benchd.reductions.outcome import Outcome, finished
from benchd.reductions.qualification import Qualification
from benchd.reductions.registry import reduction
from benchd.reductions.repeated_captures import curve, grid_of, reported_hz, stacked


class Repeatability(Qualification):
    """Standard deviation over reconnections, and over bends where captured."""

    kind: Literal["repeatability"] = Field(description="repeatability")
    joined: CapturePatterns = Field(description="captures, each after reconnecting")
    bent: CapturePatterns | None = Field(
        None, description="captures, each after bending the cable, nothing reconnected"
    )
    limit_db: PositiveRatio = Field(
        DEFAULT_LIMIT_DB, alias="limit", description="largest standard deviation that is good"
    )

    def series(self) -> Mapping[str, list[str]]:
        """The captures under joined, and those under bent if there are any."""
        return {"joined": self.joined} | ({"bent": self.bent} if self.bent else {})

    def least(self) -> Mapping[str, int]:
        """Three, from which a standard deviation can be found at all; eight give a useful one."""
        return {"joined": 3, "bent": 3}


@reduction(Repeatability)
def reduce_repeatability(
    settings: Repeatability, captures: JobCaptures, known: BenchKnowledge
) -> Outcome:
    """Standard deviations over the band and at frequencies, and the verdict.

    Raises ReductionRefused.
    """
    joined, bent = captures.all(settings.joined), captures.all(settings.bent)
    levels = stacked(joined, captures.step)
    grid = grid_of(joined[0])
    results = repeatability_results(
        grid,
        levels,
        reported_hz(settings.at_hz, grid),
        limit_db=settings.limit_db,
        bent_db=stacked(bent, captures.step, joined[0]) if bent else None,
    )
    curves = [curve("repeatability_spread", grid, spread_db(levels))]
    return finished(joined[0].antenna, captures.of(settings), results, curves)
