"""`coupler`: effective directivity and source match seen at a port."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from typing import Any, ClassVar, Literal

from pydantic import Field

from benchd.files.fields import Duration, PositiveRatio
from benchd.reduce.qualify.coupler import DEFAULT_LEAST_DIRECTIVITY_DB
from benchd.reductions.settings.base import CapturePatterns, Finding, View, reduction
from benchd.reductions.settings.qualification import Qualification
from benchd.units import Kind


@reduction("coupler")
class Coupler(Qualification):
    """From open, short and load; a short behind a known line shows the whole source match, a load
    at three or more places of a sliding line takes its own reflection out; the load taken off
    and fitted again shows what a joint made anew reflects of its own.
    """

    quantities: ClassVar[Mapping[str, Kind | None]] = {
        "effective_directivity": Kind.RATIO,
        "effective_directivity_min": Kind.RATIO,
        "effective_source_match": Kind.RATIO,
        "effective_source_match_min": Kind.RATIO,
        "joint_reflection": Kind.RATIO,
        "coupler_verdict": None,
    }

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
        """open, short, load and, where captured, refits and offset_short."""
        found = {"open": self.opens, "short": self.shorts, "load": self.loads}
        if self.refits:
            found["refits"] = self.refits
        return found | ({"offset_short": self.offset_shorts} if self.offset_shorts else {})

    def least(self) -> Mapping[str, int]:
        """With the first fit, three refits make four readings: a spread known to two fifths."""
        return {"refits": 3}

    def check(self, view: View) -> Iterator[Finding]:
        """A reflection route; a delay where there is an offset short."""
        yield from super().check(view)
        for key, names in self.series().items():
            for index, name in enumerate(names):
                route = view.captures[name].route
                if view.bench.routes[route].kind != "reflection":
                    yield (key, index), f'"{name}" was taken on "{route}", a transmission'
        if self.offset_shorts and not self.offset_delay_s:
            yield ("offset_short",), 'needs "offset_delay", the one-way delay of its line'

    def options(self, view: View) -> dict[str, Any]:
        """at_hz, offset_delay_s, load_match_db, least_db."""
        return super().options(view) | {
            "offset_delay_s": self.offset_delay_s,
            "load_match_db": self.load_match_db,
            "least_db": self.least_db,
        }
