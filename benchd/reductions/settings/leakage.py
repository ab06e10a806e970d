"""`leakage`: shielding of lid and seam, and transmitters that get in."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from typing import Any, ClassVar, Literal

from pydantic import Field

from benchd.files.fields import Label, Level, PositiveRatio
from benchd.reduce.qualify.leakage import DEFAULT_DISTURBANCE_DB, DEFAULT_LEAST_DB
from benchd.reductions.settings.base import (
    CapturePatterns,
    Finding,
    View,
    reduction,
)
from benchd.reductions.settings.qualification import Qualification
from benchd.reductions.settings.same_sweep import differences
from benchd.units import Kind


@reduction("leakage")
class Leakage(Qualification):
    """Levels with the lid closed against levels with it open, place by place; and listening."""

    quantities: ClassVar[Mapping[str, Kind | None]] = {
        "shielding": Kind.RATIO,
        "shielding_min": Kind.RATIO,
        "ingress_level": Kind.LEVEL,
        "leakage_verdict": None,
    }

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
        """open, closed and, where captured, ingress."""
        found = {"open": self.opened, "closed": self.closed}
        return found | ({"ingress": self.listened} if self.listened else {})

    def alone(self) -> frozenset[str]:
        """Listening has its own sweep; the places may be measured in both directions."""
        return frozenset({"open", "closed", "ingress"})

    def check(self, view: View) -> Iterator[Finding]:
        """As many closed as open ones; RF on in both and off while listening."""
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

    def options(self, view: View) -> dict[str, Any]:
        """at_hz, places, least_db, reading_dbm, disturbance_db."""
        return super().options(view) | {
            "places": list(self.places or self.closed),
            "least_db": self.least_db,
            "reading_dbm": self.reading_dbm,
            "disturbance_db": self.disturbance_db,
        }
