"""`stillness`: how much people who move near the box change a level."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Literal

from pydantic import Field

from benchd.files.fields import PositiveRatio
from benchd.known.captures import BenchKnowledge, JobCaptures
from benchd.reduce.qualify.stillness import DEFAULT_LIMIT_DB, movement, stillness_results
from benchd.reductions.base import CapturePatterns
from benchd.reductions.outcome import Outcome, finished
from benchd.reductions.qualification import Qualification
from benchd.reductions.registry import reduction
from benchd.reductions.repeated_captures import curve, grid_of, reported_hz, stacked


class Stillness(Qualification):
    """Spread of repeated sweeps with people moving, lid closed and open, against none moving."""

    kind: Literal["stillness"] = Field(description="stillness")
    still: CapturePatterns = Field(description="captures with the lid closed, nobody moving")
    closed: CapturePatterns = Field(description="captures with the lid closed, people moving")
    opened: CapturePatterns | None = Field(
        None, alias="open", description="captures with the lid open, people moving"
    )
    limit_db: PositiveRatio = Field(
        DEFAULT_LIMIT_DB,
        alias="limit",
        description="standard deviation that people may add with the lid closed",
    )

    def series(self) -> Mapping[str, list[str]]:
        """The captures under still and closed, and those under open if there are any."""
        found = {"still": self.still, "closed": self.closed}
        return found | ({"open": self.opened} if self.opened else {})

    def least(self) -> Mapping[str, int]:
        """Three of each, the fewest for a standard deviation."""
        return {"still": 3, "closed": 3, "open": 3}


@reduction(Stillness)
def reduce_stillness(settings: Stillness, captures: JobCaptures, known: BenchKnowledge) -> Outcome:
    """Standard deviations with the lid closed and open, and the verdict.

    Raises ReductionRefused.
    """
    still = captures.all(settings.still)
    own = stacked(still, captures.step)
    moved = {
        lid: movement(stacked(captures.all(names), captures.step, still[0]), own)
        for lid, names in (("closed", settings.closed), ("open", settings.opened))
        if names
    }
    grid = grid_of(still[0])
    results = stillness_results(
        grid,
        moved["closed"],
        moved.get("open"),
        reported_hz(settings.at_hz, grid),
        settings.limit_db,
    )
    curves = [curve(f"stillness_spread_{lid}", grid, one.moving_db) for lid, one in moved.items()]
    return finished(still[0].antenna, captures.of(settings), results, curves)
