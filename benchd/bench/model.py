"""The bench file: instruments, fixtures, box, antennas and routes of one bench.

Keys in the file carry units in their values (`loss: 0.4 dB`); attributes here are numbers and
carry the unit in their names (`loss_db`).
"""

from __future__ import annotations

from typing import Annotated

from pydantic import Field

from benchd.bench.antennas import Antenna
from benchd.bench.box import Box
from benchd.bench.fixtures import Fixture
from benchd.bench.instruments import Instrument
from benchd.bench.routes import Route
from benchd.files.fields import (
    Label,
    ListOrOne,
    Name,
    Title,
    Words,
)
from benchd.files.filemodel import FileModel

Timezone = Annotated[str, Words("a time zone such as Europe/Vienna or UTC", r"[\w+/-]+", 60)]


RegisterPath = Annotated[str, Words("the path of a file or folder", most=200)]


class BenchFile(FileModel):
    """A whole bench file."""

    bench: Annotated[
        str, Words("a name of lower-case letters, digits and -", r"[a-z0-9][a-z0-9-]*", 40)
    ] = Field(description="name of the bench; it becomes part of MQTT topics")
    title: Title = Field(description="what this bench is, in one line")
    timezone: Timezone = Field(
        "UTC", description="time zone that windows of jobs are meant in and that times are shown in"
    )
    registers: (
        Annotated[list[RegisterPath], Field(min_length=1, max_length=20), ListOrOne()] | None
    ) = Field(
        None,
        alias="register",
        description="files or folders with more antennas, seen from the bench file's folder; "
        "without it, antennas.yaml and the folder antennas beside the bench file",
    )
    instruments: dict[Name, Instrument] = Field(description="name -> instrument")
    fixtures: dict[Name, Fixture] = Field(
        default_factory=dict, description="name -> cable, attenuator, adapter, coupler, amplifier"
    )
    box: Box | None = Field(None, description="the absorber-lined box")
    antennas: dict[Label, Antenna] = Field(default_factory=dict, description="name -> antenna")
    routes: dict[Name, Route] = Field(description="name -> route")
