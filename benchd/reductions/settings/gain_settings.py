"""What every gain reduction may be told, whatever its method."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Annotated, Any, Literal

from pydantic import Field

from benchd.files.fields import Band, Duration, FrequencyBand, OneOf, Truth
from benchd.reductions.settings.base import Finding, Frequencies, Reduction, View
from benchd.reductions.settings.same_sweep import band_findings
from benchd.worksheet import CaptureStep


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
        """From `max_age`."""
        return self.max_age_s

    @property
    def may_interpolate(self) -> bool:
        """From `interpolate`."""
        return self.interpolate

    def frequency_findings(self, first: CaptureStep) -> Iterator[Finding]:
        """Frequencies and band that lie outside the sweep of the first capture."""
        for index, frequency in enumerate(self.at_hz or []):
            yield from band_findings(("at", index), frequency, first)
        if self.band_hz is not None:
            yield from band_findings(("band", 0), self.band_hz.least, first)
            yield from band_findings(("band", 1), self.band_hz.most, first)

    def gain_options(self, view: View, first: CaptureStep) -> dict[str, Any]:
        """match, at_hz (list), band_hz ([low, high]), antenna of the first capture."""
        band = self.band_hz or Band(least=first.sweep.start_hz, most=first.sweep.stop_hz)
        design = view.bench.antennas[str(first.antenna)].design_frequency_hz
        inside = first.sweep.start_hz <= design <= first.sweep.stop_hz
        return {
            "match": self.match,
            "at_hz": self.at_hz or ([design] if inside else []),
            "band_hz": [band.least, band.most],
            "antenna": first.antenna,
        }
