"""Instruments in the bench file: source, analyzer, switch, lid contact, thermometer."""

from __future__ import annotations

from typing import Annotated, Any, Literal

from pydantic import Discriminator, Field, Tag

from benchd.bench.kinds import LargestLevel, kind_of
from benchd.files.fields import (
    Duration,
    FrequencyBand,
    LevelBand,
    LossTable,
    Measure,
    Name,
    OneOf,
    PositiveRatio,
    Ratio,
    Title,
    Whole,
    Words,
)
from benchd.files.filemodel import FileModel
from benchd.files.table import Table
from benchd.units import Kind

ADDRESS = Words(
    'a VISA resource string such as "TCPIP::192.0.2.10::5025::SOCKET"',
    r"[A-Za-z]+[0-9]*(?:/[!-9;-~]+)?(?:::[!-9;-~]+)*::(?:INSTR|SOCKET|RAW)",
    200,
)
Address = Annotated[str, ADDRESS]
Command = Annotated[str, Words("a command", most=400)]
SomeTime = Annotated[float, Measure(Kind.TIME, above=0.0, most=7 * 86400.0)]
ConnectTime = Annotated[float, Measure(Kind.TIME, least=0.1, most=120.0)]
Patience = Annotated[float, Measure(Kind.TIME, least=0.05, most=10.0)]
SensorLevel = Annotated[float, Measure(Kind.LEVEL, least=-120.0, most=30.0)]
Proportion = Annotated[float, Measure(Kind.PROPORTION, above=0.0, most=1e5)]


class Drift(FileModel):
    """How much a level may change by itself: at most `change` within `within`."""

    change_db: PositiveRatio = Field(alias="change", description="most that the level changes")
    within_s: SomeTime = Field(alias="within", description="time within which it may do so")
    per_kelvin_db: PositiveRatio | None = Field(
        None,
        alias="per_kelvin",
        description="change per kelvin; used where captures tell their temperature",
    )


BAUD_RATES = (
    300, 600, 1200, 2400, 4800, 9600, 19200, 38400, 57600, 115200, 230400, 460800, 921600,
)  # fmt: skip


class Serial(FileModel):
    """How a serial line is set; as the instrument's own menu or manual has it."""

    baud_rate: Annotated[int, Whole(300, 921_600)] = Field(
        9600, alias="baud", description="bits per second"
    )
    data_bits: Annotated[int, Whole(7, 8)] = Field(8, description="data bits, 7 or 8")
    parity: Annotated[Literal["none", "even", "odd"], OneOf(("none", "even", "odd"))] = Field(
        "none", description="parity: none, even or odd"
    )
    stop_bits: Annotated[int, Whole(1, 2)] = Field(1, description="stop bits, 1 or 2")
    flow_control: Annotated[
        Literal["none", "rts-cts", "xon-xoff"], OneOf(("none", "rts-cts", "xon-xoff"))
    ] = Field("none", description="flow control: none, rts-cts or xon-xoff")


TERMINATORS = {"lf": "\n", "cr": "\r", "cr-lf": "\r\n"}


class ListMode(FileModel):
    """How an instrument steps through a list of frequencies by trigger."""

    points: Annotated[int, Whole(2, 100_001)] = Field(
        description="most points of one list; a longer sweep is split"
    )
    settle_s: Duration = Field(
        alias="settle", description="time that it needs after each step of a list"
    )
    trigger_from: Name | None = Field(
        None,
        description="the instrument whose trigger output is wired to this one's trigger input",
    )
    trigger_delay_s: Duration = Field(
        50e-6,
        alias="trigger_delay",
        description="most by which a pulse may come late, jitter included",
    )


class _Instrument(FileModel):
    driver: Name = Field(description="name of the driver, such as scpi-source")
    address: Address = Field(description="VISA resource string of the instrument")
    identity: Title | None = Field(
        None, description="text that the instrument's answer to *IDN? must contain"
    )
    timeout_s: Duration = Field(5.0, alias="timeout", description="longest wait for an answer")
    connect_timeout_s: ConnectTime = Field(
        5.0, alias="connect_timeout", description="longest wait for a connection over a network"
    )
    serial: Serial | None = Field(
        None, description="settings of a serial line; 9600 baud, 8 data bits, no parity without"
    )
    terminator: Annotated[Literal["lf", "cr", "cr-lf"], OneOf(("lf", "cr", "cr-lf"))] = Field(
        "lf",
        description="what ends a message on a raw socket or a serial line: lf, cr or cr-lf; of "
        "replies cr means that they end so too",
    )
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
    def ending(self) -> str:
        """The characters that end a message."""
        return TERMINATORS[self.terminator]

    @property
    def line_settings(self) -> dict[str, Any]:
        """The settings of its serial line, by the names that `drivers.link` has for them."""
        return {} if self.serial is None else self.serial.model_dump()

    @property
    def driver_options(self) -> dict[str, Any]:
        """The options as a driver takes them, forms of replies and use of lists among them."""
        more: dict[str, Any] = {"replies": self.replies} if self.replies else {}
        if getattr(self, "lists", None) is not None:
            more["list"] = True
        return {**self.options, **more} if more else self.options


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
    harmonics_db: PositiveRatio | None = Field(
        None,
        alias="harmonics",
        description="how far all its harmonics and other spurious signals together lie below the "
        "level that is set; a power meter reads them too",
    )
    lists: ListMode | None = Field(
        None, alias="list", description="that it can step through a list by trigger, and how"
    )


class AnalyzerInstrument(_Instrument):
    """A spectrum analyzer, with or without a tracking output of its own."""

    kind: Literal["analyzer"] = Field(description="analyzer")
    frequency_hz: FrequencyBand = Field(alias="frequency", description="range it can receive")
    largest_input_dbm: LargestLevel | None = Field(
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
    lists: ListMode | None = Field(
        None, alias="list", description="that it can step through a list by trigger, and how"
    )


class PowerMeterInstrument(_Instrument):
    """A power meter in the place of an analyzer: it reads all power that arrives."""

    kind: Literal["power-meter"] = Field(description="power-meter")
    frequency_hz: FrequencyBand = Field(alias="frequency", description="range it can measure")
    largest_input_dbm: LargestLevel | None = Field(
        None,
        alias="largest_input",
        description="largest level that does not damage its sensor; or unknown, at your own risk",
    )
    noise_dbm: SensorLevel = Field(
        alias="noise", description="standard deviation of one reading, as a level"
    )
    zero_drift_dbm: SensorLevel | None = Field(
        None,
        alias="zero_drift",
        description="the most that its zero is off until it is zeroed again, as a level; without "
        "it, that of its noise is assumed",
    )
    zero_time_s: SomeTime = Field(
        10.0, alias="zero_time", description="time that zeroing takes; it is zeroed for each sweep"
    )
    linearity_db: PositiveRatio | None = Field(
        None, alias="linearity", description="half-width of its scale error over the used range"
    )
    match_db: PositiveRatio | None = Field(
        None, alias="match", description="return loss of its sensor"
    )
    drift: Drift | None = Field(None, description="how its reading of one level drifts")

    @property
    def resolution_bandwidth_hz(self) -> None:
        """It has no filter: any bandwidth that a sweep states is as good as another."""
        return


Receiver = AnalyzerInstrument | PowerMeterInstrument
"""What a route can end in."""


class SwitchInstrument(_Instrument):
    """An RF switch: banks of channels, one channel of a bank closed at a time."""

    kind: Literal["switch"] = Field(description="switch")
    banks: dict[Name, dict[Name, Annotated[int, Whole(0, 99_999_999)]]] = Field(
        description="bank -> throw -> channel number"
    )
    largest_power_dbm: LargestLevel | None = Field(
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
    answer_within_s: Patience = Field(
        1.0,
        alias="answer_within",
        description="longest wait for its answer with RF on; then the sweep ends and RF goes off",
    )


class ThermometerInstrument(_Instrument):
    """Tells the temperature at the bench."""

    kind: Literal["thermometer"] = Field(description="thermometer")


Instrument = Annotated[
    Annotated[SourceInstrument, Tag("<source>")]
    | Annotated[AnalyzerInstrument, Tag("<analyzer>")]
    | Annotated[PowerMeterInstrument, Tag("<power-meter>")]
    | Annotated[SwitchInstrument, Tag("<switch>")]
    | Annotated[LidInstrument, Tag("<lid>")]
    | Annotated[ThermometerInstrument, Tag("<thermometer>")],
    Discriminator(kind_of),
]
