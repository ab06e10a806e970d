"""`reflectivity`: what the walls of the box do to a gain, from an antenna moved about."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from typing import Any, ClassVar, Literal

from pydantic import Field

from benchd.files.fields import Frequency, Length, PositiveRatio
from benchd.reduce.qualify.reflectivity import DEFAULT_CLAIM_DB
from benchd.reductions.settings.base import CapturePatterns, Finding, View, reduction
from benchd.reductions.settings.qualification import Qualification
from benchd.units import Kind


@reduction("reflectivity")
class Reflectivity(Qualification):
    """Reflected level, spread of a gain over positions, and from where on the box is usable.

    The captures of a line stand in the order of the places, `step` apart.
    """

    quantities: ClassVar[Mapping[str, Kind | None]] = {
        "reflected_level": Kind.RATIO,
        "box_path_spread": Kind.RATIO,
        "box_gain_spread": Kind.RATIO,
        "box_gain_uncertainty": Kind.RATIO,
        "usable_from": Kind.FREQUENCY,
        "usable_from_averaged": Kind.FREQUENCY,
        "reflectivity_verdict": None,
    }

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
        description="expanded uncertainty that the box may cause in a gain at one position",
    )
    needed_hz: Frequency = Field(
        alias="needed_from", description="lowest frequency at which the box has to be good"
    )

    def series(self) -> Mapping[str, list[str]]:
        """The lines that were captured."""
        lines = {"along": self.along, "across": self.across}
        return {key: names for key, names in lines.items() if names}

    def least(self) -> Mapping[str, int]:
        """Five show a ripple."""
        return {"along": 5, "across": 5}

    def check(self, view: View) -> Iterator[Finding]:
        """At least one line; a distance; places that do not reach the other antenna."""
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

    def options(self, view: View) -> dict[str, Any]:
        """at_hz, step_m, range_length_m, claim_db, needed_hz."""
        found = super().options(view)
        return found | {
            "step_m": self.step_m,
            "range_length_m": self._range_length_m(view),
            "claim_db": self.claim_db,
            "needed_hz": self.needed_hz,
        }
