"""`gain`: gain of an antenna against a reference antenna, or over a range of known gain."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Annotated, Any, Literal, get_args

from pydantic import Field, ValidationInfo, model_validator

from benchd.files.fields import (
    Band,
    Duration,
    FrequencyBand,
    Label,
    Length,
    OneOf,
    Truth,
    wrong,
)
from benchd.files.filemodel import is_draft
from benchd.reductions.base import CaptureNames, Finding, Frequencies, Reduction, View
from benchd.reductions.worksheet_checks import band_findings, differences
from benchd.units import show
from benchd.worksheet import CaptureStep

GainMethod = Literal["substitution", "known-range-antenna"]


class GainReduction(Reduction):
    """Where gain is reported, and what is known of the antennas' own reflections."""

    at_hz: Frequencies | None = Field(
        None, alias="at", description="frequencies to report; without it, the design frequency"
    )
    band_hz: FrequencyBand | None = Field(
        None, alias="band", description="band over which gain is reported; without it, the sweep"
    )
    match: Annotated[Literal["none", "newest"], OneOf(("none", "newest"))] = Field(
        "none",
        description="newest takes mismatch from the newest stored reflections of the antennas",
    )
    max_age_s: Duration | None = Field(
        None, alias="max_age", description="greatest age of those reflections"
    )
    interpolate: Truth = Field(False, description="yes allows captures on different grids")

    @property
    def oldest_s(self) -> float | None:
        """The value of `max_age`, s."""
        return self.max_age_s

    def frequency_findings(self, first: CaptureStep) -> Iterator[Finding]:
        """Findings for frequencies and a band that lie outside the sweep of the first capture."""
        for index, frequency in enumerate(self.at_hz or []):
            yield from band_findings(("at", index), frequency, first)
        if self.band_hz is not None:
            yield from band_findings(("band", 0), self.band_hz.least, first)
            yield from band_findings(("band", 1), self.band_hz.most, first)

    def with_frequencies(self, view: View, first: CaptureStep) -> dict[str, Any]:
        """The fields that tell where gain is reported, with their defaults filled in.

        Unless the recipe states them, they are the antenna's design frequency, if the sweep
        contains it, and the whole sweep as the band.
        """
        band = self.band_hz or Band(least=first.sweep.start_hz, most=first.sweep.stop_hz)
        design = view.bench.antennas[str(first.antenna)].design_frequency_hz
        inside = first.sweep.start_hz <= design <= first.sweep.stop_hz
        return {"at_hz": self.at_hz or ([design] if inside else None), "band_hz": band}

    @classmethod
    def of_first_form(cls, step: dict[str, Any]) -> dict[str, Any]:
        """The first format wrote the band as a list of its two ends."""
        found = super().of_first_form(step)
        least, most = found["band_hz"]
        return found | {"band_hz": {"least": least, "most": most}}


class Gain(GainReduction):
    """Realised gain, and gain where the reflections are known.

    Captures of the reference before and after the antenna (reference, test, reference) cancel
    linear drift: the reference is taken at the time of the antenna, by a straight line.
    """

    kind: Literal["gain"] = Field(description="gain")
    method: Annotated[GainMethod, OneOf(get_args(GainMethod))] = Field(
        "substitution", description="substitution or known-range-antenna"
    )
    test: CaptureNames = Field(description="capture of the antenna, or a list of captures")
    reference: CaptureNames | None = Field(
        None, description="capture of the reference antenna, or a list (substitution)"
    )
    thru: CaptureNames | None = Field(
        None, description="capture with the cables joined (known-range-antenna)"
    )
    range_antenna: Label | None = Field(
        None, description="antenna of known gain at the other end; without it, the route's"
    )
    follow_drift: Truth = Field(
        True,
        description="yes follows drift in time between captures of the reference; no takes "
        "their mean",
    )
    travel_m: Length | None = Field(
        None,
        alias="travel",
        description="how far apart the first and the last place lie, where the captures are of "
        "several places: antenna and reference at the same ones, in the same order",
    )

    @model_validator(mode="after")
    def _consistent(self, info: ValidationInfo) -> Gain:
        if is_draft(info):
            return self
        by_reference = self.method == "substitution"
        needed, other = ("reference", "thru") if by_reference else ("thru", "reference")
        if getattr(self, needed) is None:
            raise wrong(f'the method {self.method} needs the key "{needed}"')
        if getattr(self, other) is not None:
            raise wrong(f"does not belong to the method {self.method}", (other,))
        if self.travel_m is not None:
            self._check_places(by_reference)
        if by_reference and self.range_antenna is not None:
            raise wrong(f"does not belong to the method {self.method}", ("range_antenna",))
        return self

    def _check_places(self, by_reference: bool) -> None:
        if not by_reference:
            raise wrong(f"does not belong to the method {self.method}", ("travel",))
        places, others = len(self.test), len(self.reference or [])
        if places != others or places < 2:
            raise wrong(
                f"needs two or more places with one capture of each antenna; found {places} of "
                f"the antenna and {others} of the reference",
                ("travel",),
            )

    def inputs(self) -> dict[str, tuple[str, ...]]:
        """The captures of test, and those of reference or thru."""
        given = {"test": self.test, "reference": self.reference, "thru": self.thru}
        return {key: tuple(names) for key, names in given.items() if names}

    def check(self, view: View) -> Iterator[Finding]:
        """Check roles, routes, grids, antennas and their gain tables, and frequencies."""
        first = view.captures[self.test[0]]
        for key in ("test", "reference", "thru"):
            for index, name in enumerate(getattr(self, key) or []):
                yield from self._capture_findings(view, key, index, name, first)
        if self.method == "substitution":
            for index, name in enumerate(self.reference or []):
                antenna = view.captures[name].antenna
                yield from _gain_findings(view, ("reference", index), antenna, first)
        else:
            antenna = self._range_antenna(view)
            yield from _gain_findings(view, ("range_antenna",), antenna, first)
            if view.bench.box is None or view.bench.box.range_length_m is None:
                yield ("method",), "needs box.range_length in the bench file"
        yield from self.frequency_findings(first)

    def _capture_findings(
        self, view: View, key: str, index: int, name: str, first: CaptureStep
    ) -> Iterator[Finding]:
        capture = view.captures[name]
        path = (key, index)
        if capture.role != key:
            yield path, f'"{name}" has the role {capture.role}, expected {key}'
        if view.bench.routes[capture.route].kind != "transmission":
            yield path, f'"{name}" was taken on the route "{capture.route}", a reflection'
        apart = differences(first, capture, grid=not self.interpolate)
        if apart:
            yield path, f'"{name}" does not fit "{first.name}": {"; ".join(apart)}'
        if key != "thru" and capture.antenna != view.captures[getattr(self, key)[0]].antenna:
            yield path, f'"{name}" is of another antenna than the first capture of the list'

    def resolved(self, view: View) -> Gain:
        """The same settings with the frequencies and the antenna of known gain filled in.

        That is the antenna at the other end of the range, unless the recipe names one.
        """
        update = self.with_frequencies(view, view.captures[self.test[0]])
        if not self.reference:
            update["range_antenna"] = self._range_antenna(view)
        return self.model_copy(update=update)

    def _range_antenna(self, view: View) -> str | None:
        route = view.captures[self.test[0]].route
        return self.range_antenna or view.bench.routes[route].range_antenna


def _gain_findings(
    view: View, path: tuple[str | int, ...], antenna: str | None, capture: CaptureStep
) -> Iterator[Finding]:
    """The antenna must be on the bench and carry a gain table that spans the sweep."""
    if antenna is None:
        yield path, "there is no antenna of known gain here; name one"
        return
    known = view.bench.antennas.get(antenna)
    if known is None:
        with_gain = [name for name, one in view.bench.antennas.items() if one.reference]
        yield (
            path,
            f'the bench has no antenna "{antenna}", with a gain it has: {", ".join(with_gain)}',
        )
    elif known.reference is None:
        yield path, f'the bench file states no gain (reference:) for the antenna "{antenna}"'
    elif not known.reference.gain_dbi.covers(capture.sweep.start_hz, capture.sweep.stop_hz):
        ends = known.reference.gain_dbi.frequency_hz
        yield (
            path,
            f'the gain of "{antenna}" is stated from {show(ends[0], "Hz")} to '
            f"{show(ends[-1], 'Hz')}, the sweep runs from {show(capture.sweep.start_hz, 'Hz')} to "
            f"{show(capture.sweep.stop_hz, 'Hz')}",
        )
