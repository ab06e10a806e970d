"""Fixtures in the bench file: cables, attenuators, adapters, couplers, amplifiers."""

from __future__ import annotations

from typing import Annotated, Literal

from pydantic import Discriminator, Field, Tag

from benchd.bench.kinds import LargestLevel, kind_of
from benchd.files.fields import (
    Duration,
    LossTable,
    PositiveRatio,
    RatioTable,
    Text,
)
from benchd.files.filemodel import FileModel


class _Fixture(FileModel):
    largest_power_dbm: LargestLevel | None = Field(
        None,
        alias="largest_power",
        description="largest level it can carry; or unknown, at your own risk",
    )
    match_db: PositiveRatio | None = Field(
        None, alias="match", description="return loss of its ports"
    )
    repeatability_db: PositiveRatio | None = Field(
        None, alias="repeatability", description="spread of its loss from joining to joining"
    )
    reflection_repeatability_db: LossTable | None = Field(
        None,
        alias="reflection_repeatability",
        description="how far below a full reflection the change of what its joint reflects lies, "
        "from joining to joining (root mean square), positive",
    )
    note: Text | None = Field(None, description="anything a person should know")


class PassiveFixture(_Fixture):
    """A cable, attenuator or adapter."""

    kind: Literal["cable", "attenuator", "adapter"] = Field(
        description="cable, attenuator or adapter"
    )
    loss_db: LossTable = Field(alias="loss", description="loss, one value or over frequency")
    delay_s: Duration | None = Field(None, alias="delay", description="one-way delay")


class CouplerFixture(_Fixture):
    """A directional coupler. Arms: `through` and `coupled` (samples the returning wave)."""

    kind: Literal["coupler"] = Field(description="coupler")
    loss_db: LossTable = Field(alias="loss", description="loss of the through arm")
    coupling_db: LossTable = Field(alias="coupling", description="loss into the coupled arm")
    directivity_db: LossTable = Field(
        alias="directivity", description="how far forward power into the coupled arm lies down"
    )
    source_match_db: LossTable | None = Field(
        None, alias="source_match", description="return loss seen from the port back to the source"
    )


class AmplifierFixture(_Fixture):
    """An amplifier; the level budget counts it as linear."""

    kind: Literal["amplifier"] = Field(description="amplifier")
    gain_db: RatioTable = Field(alias="gain", description="gain, one value or over frequency")


Fixture = Annotated[
    Annotated[PassiveFixture, Tag("<cable>")]
    | Annotated[PassiveFixture, Tag("<attenuator>")]
    | Annotated[PassiveFixture, Tag("<adapter>")]
    | Annotated[CouplerFixture, Tag("<coupler>")]
    | Annotated[AmplifierFixture, Tag("<amplifier>")],
    Discriminator(kind_of),
]

Fixtures = PassiveFixture | CouplerFixture | AmplifierFixture
