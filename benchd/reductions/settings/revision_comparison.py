"""`revision-comparison`: results of two antennas, or of two jobs, held against each other."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from typing import Any, ClassVar, Literal

from pydantic import Field

from benchd.files.fields import Label, Name
from benchd.reductions.settings.base import Finding, Reduction, View, reduction
from benchd.units import Kind

COMPARED: dict[str, Kind | None] = {
    "return_loss": Kind.RATIO,
    "vswr": None,
    "reflection_magnitude": None,
    "mismatch_loss": Kind.RATIO,
    "resonance_frequency": Kind.FREQUENCY,
    "loaded_q": None,
    "bandwidth": Kind.FREQUENCY,
    "bandwidth_low_edge": Kind.FREQUENCY,
    "bandwidth_high_edge": Kind.FREQUENCY,
    "realised_gain": Kind.RATIO,
    "realised_gain_mean": Kind.RATIO,
    "gain": Kind.RATIO,
    "gain_mean": Kind.RATIO,
}
"""Quantities that may be compared, and the kind of quantity that their difference is."""


@reduction("revision-comparison")
class RevisionComparison(Reduction):
    """Second minus first, with what it would have taken to see a difference.

    The newest results of each antenna are taken, from before this job or from this job itself;
    of one antenna, those of two jobs.
    """

    quantities: ClassVar[Mapping[str, Kind | None]] = {
        f"{name}_difference": kind for name, kind in COMPARED.items()
    } | {"further_resonance_frequency_difference": Kind.FREQUENCY}

    kind: Literal["revision-comparison"] = Field(description="revision-comparison")
    quantity: Name = Field(description="quantity to compare, such as realised_gain")
    first: Label = Field(description="antenna, or revision, that stands for before")
    second: Label = Field(description="antenna, or revision, that stands for after")
    first_job: Label | None = Field(None, description="job of the first, without it the newest")
    second_job: Label | None = Field(None, description="job of the second, without it the newest")

    def check(self, view: View) -> Iterator[Finding]:
        """A quantity that can be compared, two antennas of the bench, or one in two jobs."""
        if self.quantity not in COMPARED:
            yield ("quantity",), f'"{self.quantity}" is not one of: {", ".join(COMPARED)}'
        for key in ("first", "second"):
            name = getattr(self, key)
            if name not in view.bench.antennas:
                known = ", ".join(view.bench.antennas)
                yield (key,), f'the bench has no antenna "{name}", it has: {known}'
        if self.first == self.second and self.first_job is None:
            text = f'both are "{self.first}"; name the job of the first (first_job)'
            yield ("first",), text

    def options(self, view: View) -> dict[str, Any]:
        """quantity, first, second, first_job, second_job; at_hz stays empty: all that both have."""
        return {
            "quantity": self.quantity,
            "first": self.first,
            "second": self.second,
            "first_job": self.first_job,
            "second_job": self.second_job,
            "antenna": self.second,
            "at_hz": [],
        }
