"""`reflectivity`: the effect of the box's walls on a gain, measured with an antenna that is
moved."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from typing import Literal

import numpy as np
from pydantic import Field

from benchd.files.fields import Frequency, Length, PositiveRatio
from benchd.known.captures import BenchKnowledge, JobCaptures
from benchd.reduce.qualify.reflectivity import DEFAULT_CLAIM_DB, Line, reflectivity_results, walls
from benchd.reductions.base import CapturePatterns, Finding, View
from benchd.reductions.outcome import Outcome, finished
from benchd.reductions.qualification import Qualification
from benchd.reductions.registry import reduction
from benchd.reductions.repeated_captures import curve, grid_of, reported_hz, stacked
from benchd.traces import Capture, FloatArray


class Reflectivity(Qualification):
    """Reflected level, spread of a gain over places, and from where on the box is usable.

    The captures of a line stand in the order of the places, `step` apart.
    """

    kind: Literal["reflectivity"] = Field(description="reflectivity")
    along: CapturePatterns | None = Field(
        None, description="captures, each one step nearer to the other antenna"
    )
    across: CapturePatterns | None = Field(
        None, description="captures, each one step to the side, evenly about the range's axis"
    )
    step_m: Length = Field(alias="step", description="distance from one place to the next")
    range_length_m: Length | None = Field(
        None, alias="range_length", description="first distance; without it, the bench file's"
    )
    claim_db: PositiveRatio = Field(
        DEFAULT_CLAIM_DB,
        alias="claim",
        description="expanded uncertainty that the box may cause in a gain at one place",
    )
    needed_hz: Frequency = Field(
        alias="needed_from", description="lowest frequency at which the box has to be good"
    )

    def series(self) -> Mapping[str, list[str]]:
        """The captures along each line, by its key."""
        lines = {"along": self.along, "across": self.across}
        return {key: names for key, names in lines.items() if names}

    def least(self) -> Mapping[str, int]:
        """Five places for each line, which are enough to see a ripple."""
        return {"along": 5, "across": 5}

    def check(self, view: View) -> Iterator[Finding]:
        """Check that there is a line and a distance, and that no place reaches the other
        antenna."""
        yield from super().check(view)
        if not self.series():
            yield ("along",), 'needs captures under "along", "across" or both'
        length_m = self._range_length_m(view)
        if length_m is None:
            yield ("range_length",), "neither here nor in the bench file (box.range_length)"
        elif self.along and (len(self.along) - 1) * self.step_m >= 0.75 * length_m:
            yield ("step",), "the last place along the range lies too near the other antenna"

    def _range_length_m(self, view: View) -> float | None:
        box = view.bench.box
        return self.range_length_m or (box.range_length_m if box else None)

    def resolved(self, view: View) -> Reflectivity:
        """The same settings with the length of the range filled in from the bench file."""
        return self.model_copy(update={"range_length_m": self._range_length_m(view)})


@reduction(Reflectivity)
def reduce_reflectivity(
    settings: Reflectivity, captures: JobCaptures, known: BenchKnowledge
) -> Outcome:
    """Reflected level and spread over places at frequencies, usable range, and the verdict.

    Raises ReductionRefused.
    """
    lines = []
    first: Capture | None = None
    length_m = settings.range_length_m
    assert length_m is not None, "a resolved reduction tells it"
    for names, wall in ((settings.along, "end walls"), (settings.across, "side walls")):
        taken = captures.all(names)
        if not taken:
            continue
        first = first or taken[0]
        levels = stacked(taken, captures.step, first)
        nearer = names is settings.along
        distance_m = _distances_m(nearer, len(taken), settings.step_m, length_m)
        lines.append(Line(wall, levels, distance_m, (len(taken) - 1) * settings.step_m))
    assert first is not None, "the worksheet guarantees a line"
    grid = grid_of(first)
    found = walls(grid, lines)
    results = reflectivity_results(
        found,
        reported_hz(settings.at_hz, grid),
        needed_hz=settings.needed_hz,
        claim_db=settings.claim_db,
    )
    curves = [
        curve("box_gain_spread", grid, found.gain_sd_db),
        *(
            curve("reflected_level", grid, levels, part=wall)
            for wall, levels in found.reflected_db.items()
        ),
    ]
    return finished(first.antenna, captures.of(settings), results, curves)


def _distances_m(nearer: bool, count: int, step_m: float, length_m: float) -> FloatArray:
    """Distance (m) from the other antenna to each place.

    The places of a line come nearer step by step, or lie across the axis, the middle one on it.
    """
    if nearer:
        return np.asarray(length_m - step_m * np.arange(count), dtype=np.float64)
    aside_m = step_m * (np.arange(count) - (count - 1) / 2.0)
    return np.asarray(np.hypot(length_m, aside_m), dtype=np.float64)
