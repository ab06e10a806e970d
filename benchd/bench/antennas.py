"""Antennas in the bench file: what is measured, what it is measured against, what a trim cuts."""

from __future__ import annotations

from typing import Annotated, Literal, Self

from pydantic import Field, model_validator

from benchd.files.fields import (
    Frequency,
    GainTable,
    Length,
    LossTable,
    Measure,
    OneOf,
    Plain,
    PositiveRatio,
    Text,
    Title,
    Whole,
)
from benchd.files.filemodel import FileModel
from benchd.units import Kind

RELATIVE_SPANS = {
    "dipole": 0.294,
    "monopole": 0.294,
    "loop": 0.2,
    "yagi": 0.2,
    "patch": 0.12,
    "helix": 0.4,
    "log-periodic": 0.6,
    "other": 0.294,
}
"""Type of antenna -> how wide a sweep of its reflection is, as a part of the design frequency: its
band and enough beside it to see a design that came out wrong (common practice, no source)."""


class Trim(FileModel):
    """What a trim would change."""

    arm_m: Length = Field(alias="arm", description="present length of one arm")
    arms: Annotated[int, Whole(1, 8)] = Field(
        2, description="number of arms to trim alike; of a monopole 1 where it is not said"
    )
    arm_uncertainty_m: Length | None = Field(
        None,
        alias="arm_uncertainty",
        description="expanded uncertainty of that length, coverage factor 2",
    )
    diameter_m: Length | None = Field(
        None,
        alias="diameter",
        description="diameter of the arm's wire or tube: the thicker, the less exact is the rule "
        "that length goes as 1/f; without it, thick wire is assumed",
    )
    scaling_error_ppm: Annotated[float, Measure(Kind.PROPORTION, above=0.0, most=1e6)] | None = (
        Field(
            None,
            alias="scaling_error",
            description="how far the effect of a trim can be off the rule that length goes as "
            "1/f, such as 10 %",
        )
    )


class ReferenceData(FileModel):
    """What is known of a reference antenna."""

    gain_dbi: GainTable = Field(alias="gain", description="gain, one value or over frequency")
    gain_is: Annotated[Literal["gain", "realised"], OneOf(("gain", "realised"))] = Field(
        description="gain (without mismatch) or realised (with it)"
    )
    uncertainty_db: PositiveRatio = Field(
        alias="uncertainty", description="expanded uncertainty of the gain"
    )
    coverage_factor: Annotated[float, Plain(1.0, 4.0)] = Field(
        2.0, description="coverage factor of that uncertainty"
    )
    return_loss_db: LossTable | None = Field(
        None, alias="return_loss", description="return loss, one value or over frequency"
    )
    return_loss_uncertainty_db: PositiveRatio | None = Field(
        None,
        alias="return_loss_uncertainty",
        description="expanded uncertainty of that return loss, coverage factor 2",
    )
    traceability: Text | None = Field(None, description="where the gain comes from")


class Antenna(FileModel):
    """An antenna: what is measured, or measured against."""

    revision: Title | None = Field(None, description="revision of the design")
    design_frequency_hz: Frequency = Field(
        alias="design_frequency", description="frequency it is made for"
    )
    largest_dimension_m: Length = Field(
        alias="largest_dimension", description="its largest dimension, for the far-field check"
    )
    phase_centre_m: Annotated[float, Measure(Kind.LENGTH, least=-10.0, most=10.0)] | None = Field(
        None,
        alias="phase_centre",
        description="how far ahead of its mark (towards the other antenna) it seems to radiate",
    )
    least_return_loss_db: LossTable | None = Field(
        None,
        alias="least_return_loss",
        description="return loss that it is sure to reach; bounds the mismatch where it was not "
        "measured",
    )
    type: Annotated[str, OneOf(tuple(RELATIVE_SPANS))] | None = Field(
        None,
        description="what it is: dipole, monopole, loop, yagi, patch, helix, log-periodic or "
        "other; recipes sweep as wide as such an antenna needs",
    )
    trim: Trim | None = Field(None, description="the lengths that a trim would change")
    coupling: Annotated[Literal["over", "under"], OneOf(("over", "under"))] | None = Field(
        None,
        description="under: its reflection does not run around the middle of the chart (a plain "
        "half-wave dipole); over: it does; where it is known, resonance and Q are surer",
    )
    reference: ReferenceData | None = Field(None, description="gain data of a reference antenna")
    note: Text | None = Field(None, description="anything a person should know")
    revises: Title | None = Field(
        None,
        description="antenna that it is a revision of, where the names do not tell: names that "
        "differ only in the revision at the end do",
    )

    @model_validator(mode="after")
    def _one_arm_of_a_monopole(self) -> Self:
        """The other half of a monopole is its ground, which nobody trims."""
        if self.type == "monopole" and self.trim and "arms" not in self.trim.model_fields_set:
            one_arm = self.trim.model_copy(update={"arms": 1})
            object.__setattr__(self, "trim", one_arm)  # the model is frozen once it is made
        return self

    @property
    def span_hz(self) -> float:
        """How wide a sweep of its reflection is where nobody says otherwise, Hz."""
        return RELATIVE_SPANS[self.type or "other"] * self.design_frequency_hz
