"""Routes in the bench file: named paths from a source output to an analyzer input."""

from __future__ import annotations

from typing import Annotated, Literal

from pydantic import Field

from benchd.files.fields import (
    Label,
    Name,
    OneOf,
    Title,
)
from benchd.files.filemodel import FileModel

SwitchChoice = dict[Name, dict[Name, Name]]


class Route(FileModel):
    """A named RF path from a source output to an analyzer input."""

    kind: Annotated[
        Literal["reflection", "transmission"], OneOf(("reflection", "transmission"))
    ] = Field(description="reflection or transmission")
    source: Name = Field(description="instrument that the path starts from")
    out: list[Title] = Field(
        description="what the signal passes to the port, in order: fixture, coupler.through, "
        "or switch.bank"
    )
    port: Name = Field(description="name of the port at the end of `out`")
    far_port: Name | None = Field(
        None, description="port where a transmission comes back from the box"
    )
    range_antenna: Label | None = Field(
        None, description="antenna fixed at the port of a transmission"
    )
    back: list[Title] = Field(
        description="what the signal passes back to the analyzer, in order: fixture, "
        "coupler.coupled, or switch.bank"
    )
    analyzer: Name = Field(description="instrument that the path ends in")
    switch: SwitchChoice = Field(
        default_factory=dict, description="switch -> bank -> throw, whenever the route is used"
    )
    positions: dict[Name, SwitchChoice] = Field(
        default_factory=dict,
        description="position -> switch -> bank -> throw; without positions a person does it",
    )
