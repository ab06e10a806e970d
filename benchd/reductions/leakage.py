"""`leakage`: shielding of lid and seam, and transmitters that get in."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from typing import Literal

from pydantic import Field

from benchd.files.fields import Label, Level, PositiveRatio
from benchd.known.captures import BenchKnowledge, JobCaptures
from benchd.reduce.qualify.leakage import (
    DEFAULT_DISTURBANCE_DB,
    DEFAULT_LEAST_DB,
    Shielding,
    leakage_results,
    shielding,
    transmitters,
)
from benchd.reductions.base import CapturePatterns, Finding, View
from benchd.reductions.outcome import Outcome, finished
from benchd.reductions.qualification import Qualification
from benchd.reductions.registry import reduction
from benchd.reductions.repeated_captures import curve, grid_of, linearity_db, noise_dbm, stacked
from benchd.reductions.worksheet_checks import differences
from benchd.traces import Capture


class Leakage(Qualification):
    """Levels with the lid closed against levels with it open, place by place; and listening."""

    kind: Literal["leakage"] = Field(description="leakage")
    opened: CapturePatterns = Field(
        alias="open", description="captures with the lid open, one for each place"
    )
    closed: CapturePatterns = Field(
        description="captures with the lid closed, places in the same order"
    )
    places: list[Label] | None = Field(
        None, description="what each place is called; without it, by the captures' names"
    )
    listened: CapturePatterns | None = Field(
        None, alias="ingress", description="captures with RF off and the lid closed"
    )
    least_db: PositiveRatio = Field(
        DEFAULT_LEAST_DB, alias="least", description="shielding that the box needs"
    )
    reading_dbm: Level = Field(
        alias="reading", description="weakest level usually measured, not to be disturbed"
    )
    disturbance_db: PositiveRatio = Field(
        DEFAULT_DISTURBANCE_DB,
        alias="disturbance",
        description="most that a transmitter may change such a reading",
    )

    def series(self) -> Mapping[str, list[str]]:
        """The captures under open and closed, and those under ingress if there are any."""
        found = {"open": self.opened, "closed": self.closed}
        return found | ({"ingress": self.listened} if self.listened else {})

    def alone(self) -> frozenset[str]:
        """Listening has its own sweep, and places may be measured in both directions: neither need
        be taken as the first capture was."""
        return frozenset({"open", "closed", "ingress"})

    def check(self, view: View) -> Iterator[Finding]:
        """Check that there are as many closed as open captures, and that RF was on in both of these
        and off while listening."""
        yield from super().check(view)
        count = len(self.opened)
        if len(self.closed) != count:
            yield ("closed",), f"found {len(self.closed)} captures, expected {count} as in open"
        if self.places is not None and len(self.places) != count:
            yield ("places",), f"found {len(self.places)} names, expected {count} as in open"
        for index, (one, other) in enumerate(zip(self.opened, self.closed, strict=False)):
            apart = differences(view.captures[one], view.captures[other], grid=True)
            if apart:
                yield ("closed", index), f'"{other}" does not fit "{one}": {"; ".join(apart)}'
        for key, names in self.series().items():
            wanted = "off" if key == "ingress" else "on"
            for index, name in enumerate(names):
                if view.captures[name].sweep.rf != wanted:
                    yield (key, index), f'"{name}" was taken with RF not {wanted}'


NO_NOISE_DBM = -300.0
"""Noise level that is used if none was read. It is so low that every level counts as measured."""


@reduction(Leakage)
def reduce_leakage(settings: Leakage, captures: JobCaptures, known: BenchKnowledge) -> Outcome:
    """Shielding at each place and the smallest of them, signals from outside, and the verdict.

    Raises ReductionRefused.
    """
    opened, closed = captures.all(settings.opened), captures.all(settings.closed)
    names = settings.places or settings.closed
    places = [
        _place(name, before, after, captures.step)
        for name, before, after in zip(names, opened, closed, strict=True)
    ]
    listened = captures.all(settings.listened)
    heard = [
        one
        for capture in listened
        for one in transmitters(grid_of(capture), capture.level.decibels)
    ]
    size_db, is_known = linearity_db(known.bench, opened[0])
    results = leakage_results(
        places,
        settings.at_hz or [],
        linearity_db=size_db,
        is_linearity_known=is_known,
        least_db=settings.least_db,
        ingress=heard if listened else None,
        reading_dbm=settings.reading_dbm,
        most_disturbance_db=settings.disturbance_db,
    )
    curves = [
        curve("shielding", one.frequency_hz, one.shielding_db, part=one.place) for one in places
    ]
    return finished(None, captures.of(settings), results, curves, noise_counts=True)


def _place(name: str, opened: Capture, closed: Capture, step: str) -> Shielding:
    levels = stacked([opened, closed], step)
    grid = grid_of(opened)
    noise = noise_dbm(closed, grid)
    return shielding(name, grid, levels[0], levels[1], NO_NOISE_DBM if noise is None else noise)
