"""The absorber-lined box in the bench file, its range and its lid."""

from __future__ import annotations

from typing import Annotated

from pydantic import Field

from benchd.files.fields import (
    Label,
    Length,
    LossTable,
    Measure,
    Name,
    RatioTable,
    Truth,
    Whole,
)
from benchd.files.filemodel import FileModel
from benchd.units import Kind

Tilt = Annotated[float, Measure(Kind.ANGLE, least=0.0, most=45.0)]


class Lid(FileModel):
    """The lid contact of the box."""

    instrument: Name = Field(description="name of the instrument of kind lid")


class Box(FileModel):
    """The absorber-lined enclosure."""

    inside_m: Annotated[list[Length], Field(min_length=3, max_length=3)] = Field(
        alias="inside", description="inner length, width and height"
    )
    range_length_m: Length | None = Field(
        None, alias="range_length", description="distance between the antennas of the range"
    )
    range_tolerance_m: Length | None = Field(
        None,
        alias="range_tolerance",
        description="the most that this distance can be off, phase centres included",
    )
    gain_spread_db: RatioTable | None = Field(
        None,
        alias="gain_spread",
        description="standard deviation, over positions in the box, of the difference of two "
        "antennas at one place, if it is known",
    )
    gain_spread_of: Annotated[list[Label], Field(min_length=2, max_length=2)] | None = Field(
        None,
        description="the two antennas that gain_spread was found with; it holds for such antennas "
        "alone",
    )
    gain_spread_positions: Annotated[int, Whole(2, 10_000)] | None = Field(
        None,
        description="how many positions gain_spread comes from: few leave the spread itself "
        "uncertain; not given, it counts as known for sure",
    )
    path_spread_db: RatioTable | None = Field(
        None,
        alias="path_spread",
        description="standard deviation of the level of one pair of antennas over positions of "
        "both its ends, the change with distance taken out",
    )
    path_spread_of: Annotated[list[Label], Field(min_length=2, max_length=2)] | None = Field(
        None, description="the two antennas that path_spread was found with"
    )
    path_spread_positions: Annotated[int, Whole(2, 10_000)] | None = Field(
        None, description="how many positions path_spread comes from; not given, it counts as sure"
    )
    reflectivity_db: RatioTable | None = Field(
        None,
        alias="reflectivity",
        description="strongest wall reflection against the direct ray, negative",
    )
    echo_db: RatioTable | None = Field(
        None,
        alias="echo",
        description="what of its own wave comes back from the walls to an antenna at the middle "
        "port, negative",
    )
    polarisation_tolerance_deg: Tilt | None = Field(
        None,
        alias="polarisation_tolerance",
        description="the most that two antennas of the range can be turned against each other",
    )
    finite_range_db: LossTable | None = Field(
        None,
        alias="finite_range",
        description="the most that this short range changes the difference of two gains",
    )
    lid: Lid | None = Field(None, description="lid contact, if the box has one")
    shielded: Truth = Field(
        False, description="yes where the closed box is a shield, not only absorber"
    )
