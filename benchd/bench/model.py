"""The bench file: instruments, fixtures, box, antennas and routes of one bench.

Keys in the file carry units in their values (`loss: 0.4 dB`); attributes here are numbers and
carry the unit in their names (`loss_db`).
"""

from __future__ import annotations

from typing import Annotated, Any, Literal

from pydantic import Discriminator, Field, Tag

from benchd.bench.fields import (
    Band,
    Duration,
    Frequency,
    FrequencyBand,
    GainTable,
    KnownOr,
    Label,
    Length,
    LevelBand,
    LossTable,
    Measure,
    Name,
    OneOf,
    Plain,
    PositiveRatio,
    Ratio,
    RatioTable,
    Text,
    Title,
    Truth,
    Whole,
    Words,
)
from benchd.bench.filemodel import FileModel
from benchd.bench.table import Table
from benchd.units import Kind

ADDRESS = Words(
    'a VISA resource string such as "TCPIP::192.0.2.10::5025::SOCKET"',
    r"[A-Za-z]+[0-9]*(?:/[!-9;-~]+)?(?:::[!-9;-~]+)*::(?:INSTR|SOCKET|RAW)",
    200,
)
Address = Annotated[str, ADDRESS]
Limit = Annotated[
    float | Literal["unknown"], KnownOr(Measure(Kind.LEVEL, least=-200.0, most=100.0))
]
Command = Annotated[str, Words("a command", most=400)]
Timezone = Annotated[str, Words("a time zone such as Europe/Vienna or UTC", r"[\w+/-]+", 60)]
SomeTime = Annotated[float, Measure(Kind.TIME, above=0.0, most=7 * 86400.0)]
Proportion = Annotated[float, Measure(Kind.PROPORTION, above=0.0, most=1e5)]
Tilt = Annotated[float, Measure(Kind.ANGLE, least=0.0, most=45.0)]


class Drift(FileModel):
    """How much a level may change by itself: at most `change` within `within`."""

    change_db: PositiveRatio = Field(alias="change", description="most that the level changes")
    within_s: SomeTime = Field(alias="within", description="time within which it may do so")
    per_kelvin_db: PositiveRatio | None = Field(
        None,
        alias="per_kelvin",
        description="change per kelvin; used where captures tell their temperature",
    )


class _Instrument(FileModel):
    driver: Name = Field(description="name of the driver, such as scpi-source")
    address: Address = Field(description="VISA resource string of the instrument")
    identity: Title | None = Field(
        None, description="text that the instrument's answer to *IDN? must contain"
    )
    timeout_s: Duration = Field(5.0, alias="timeout", description="longest wait for an answer")
    settle_s: Duration = Field(0.0, alias="settle", description="time to settle after each setting")
    commands: dict[Name, Command | None] = Field(
        default_factory=dict,
        description="command templates of the driver to replace; nothing removes an optional one",
    )
    options: dict[Name, Any] = Field(
        default_factory=dict, description="options of the driver, such as trace_format"
    )
    replies: dict[Name, Any] = Field(
        default_factory=dict,
        description="how single replies are worded where it is not as SCPI has it, by command",
    )

    @property
    def driver_options(self) -> dict[str, Any]:
        """The options as a driver takes them, forms of replies among them."""
        return {**self.options, "replies": self.replies} if self.replies else self.options


class SourceInstrument(_Instrument):
    """A signal source."""

    kind: Literal["source"] = Field(description="source")
    frequency_hz: FrequencyBand = Field(alias="frequency", description="range it can deliver")
    level_dbm: LevelBand = Field(alias="level", description="range of levels it can deliver")
    level_accuracy_db: PositiveRatio = Field(
        1.0, alias="level_accuracy", description="the most its level can be off, plus or minus"
    )
    match_db: PositiveRatio | None = Field(
        None, alias="match", description="return loss of its output"
    )
    frequency_accuracy_ppm: Proportion | None = Field(
        None, alias="frequency_accuracy", description="half-width of its relative frequency error"
    )
    drift: Drift | None = Field(None, description="how its level drifts")


class AnalyzerInstrument(_Instrument):
    """A spectrum analyzer, with or without a tracking output of its own."""

    kind: Literal["analyzer"] = Field(description="analyzer")
    frequency_hz: FrequencyBand = Field(alias="frequency", description="range it can receive")
    largest_input_dbm: Limit | None = Field(
        None,
        alias="largest_input",
        description="largest level that does not damage its input; or unknown, at your own risk",
    )
    resolution_bandwidth_hz: FrequencyBand | None = Field(
        None, alias="resolution_bandwidth", description="range of its resolution bandwidths"
    )
    linearity_db: PositiveRatio | None = Field(
        None, alias="linearity", description="half-width of its scale error over the used range"
    )
    noise_figure_db: Ratio | None = Field(
        None, alias="noise_figure", description="noise figure as used"
    )
    match_db: PositiveRatio | None = Field(
        None, alias="match", description="return loss of its input"
    )
    drift: Drift | None = Field(None, description="how its reading of one level drifts")
    frequency_accuracy_ppm: Proportion | None = Field(
        None, alias="frequency_accuracy", description="half-width of its relative frequency error"
    )
    tracking_level_dbm: LevelBand | None = Field(
        None, alias="tracking_level", description="range of levels of its own tracking output"
    )
    level_accuracy_db: PositiveRatio = Field(
        1.0, alias="level_accuracy", description="the most its tracking level can be off"
    )


class SwitchInstrument(_Instrument):
    """An RF switch: banks of channels, one channel of a bank closed at a time."""

    kind: Literal["switch"] = Field(description="switch")
    banks: dict[Name, dict[Name, Annotated[int, Whole(0, 99_999_999)]]] = Field(
        description="bank -> throw -> channel number"
    )
    largest_power_dbm: Limit | None = Field(
        None,
        alias="largest_power",
        description="largest level it can carry; or unknown, at your own risk",
    )
    loss_db: LossTable = Field(
        Table(frequency_hz=(), values=(0.0,)), alias="loss", description="loss of a closed throw"
    )
    repeatability_db: PositiveRatio | None = Field(
        None, alias="repeatability", description="spread of its loss from closing to closing"
    )
    match_db: PositiveRatio | None = Field(
        None, alias="match", description="return loss of its ports"
    )


class LidInstrument(_Instrument):
    """A contact that tells whether the box is closed."""

    kind: Literal["lid"] = Field(description="lid")


class ThermometerInstrument(_Instrument):
    """Tells the temperature at the bench."""

    kind: Literal["thermometer"] = Field(description="thermometer")


def _kind_of(value: Any) -> str | None:
    kind = value.get("kind") if isinstance(value, dict) else getattr(value, "kind", None)
    return f"<{kind}>" if isinstance(kind, str) else None


Instrument = Annotated[
    Annotated[SourceInstrument, Tag("<source>")]
    | Annotated[AnalyzerInstrument, Tag("<analyzer>")]
    | Annotated[SwitchInstrument, Tag("<switch>")]
    | Annotated[LidInstrument, Tag("<lid>")]
    | Annotated[ThermometerInstrument, Tag("<thermometer>")],
    Discriminator(_kind_of),
]


class _Fixture(FileModel):
    largest_power_dbm: Limit | None = Field(
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
    Discriminator(_kind_of),
]

Fixtures = PassiveFixture | CouplerFixture | AmplifierFixture


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


class Trim(FileModel):
    """What a trim would change."""

    arm_m: Length = Field(alias="arm", description="present length of one arm")
    arms: Annotated[int, Whole(1, 8)] = Field(2, description="number of arms to trim alike")
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
    trim: Trim | None = Field(None, description="the lengths that a trim would change")
    coupling: Annotated[Literal["over", "under"], OneOf(("over", "under"))] | None = Field(
        None,
        description="under: its reflection does not run around the middle of the chart (a plain "
        "half-wave dipole); over: it does; where it is known, resonance and Q are surer",
    )
    reference: ReferenceData | None = Field(None, description="gain data of a reference antenna")
    note: Text | None = Field(None, description="anything a person should know")


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


class BenchFile(FileModel):
    """A whole bench file."""

    bench: Annotated[
        str, Words("a name of lower-case letters, digits and -", r"[a-z0-9][a-z0-9-]*", 40)
    ] = Field(description="name of the bench; it becomes part of MQTT topics")
    title: Title = Field(description="what this bench is, in one line")
    timezone: Timezone = Field("UTC", description="time zone that windows of jobs are meant in")
    instruments: dict[Name, Instrument] = Field(description="name -> instrument")
    fixtures: dict[Name, Fixture] = Field(
        default_factory=dict, description="name -> cable, attenuator, adapter, coupler, amplifier"
    )
    box: Box | None = Field(None, description="the absorber-lined box")
    antennas: dict[Label, Antenna] = Field(default_factory=dict, description="name -> antenna")
    routes: dict[Name, Route] = Field(description="name -> route")


__all__ = [
    "AmplifierFixture",
    "AnalyzerInstrument",
    "Antenna",
    "Band",
    "BenchFile",
    "Box",
    "CouplerFixture",
    "Drift",
    "Fixtures",
    "Instrument",
    "Lid",
    "LidInstrument",
    "PassiveFixture",
    "ReferenceData",
    "Route",
    "SourceInstrument",
    "SwitchChoice",
    "SwitchInstrument",
    "ThermometerInstrument",
    "Trim",
]
