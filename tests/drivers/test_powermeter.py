"""The power meter's words and how its readings are told."""

from __future__ import annotations

import pytest

from benchd.acquire.zeroing import Zero, zeroed
from benchd.errors import InstrumentRefused
from drivers.errors import BadReply, BadTemplate
from drivers.exchange import Exchange
from drivers.player import CannedPlayer
from drivers.powermeter import NOTHING_DBM, ScpiPowerMeter

METER = ScpiPowerMeter("meter")
SETTINGS = {
    "resolution_bandwidth_hz": 1e4,
    "video_bandwidth_hz": None,
    "detector": "power",
    "dwell_s": 0.01,
}


def prepared(meter: ScpiPowerMeter) -> list[str]:
    return [exchange.message for exchange in meter.prepare_point_mode(**SETTINGS)]  # type: ignore[arg-type]


def test_it_is_set_up_to_tell_watts_with_its_own_averaging() -> None:
    assert prepared(METER) == [":INIT:CONT OFF", ":UNIT:POW W", ":SENS:AVER:COUN 1"]
    other = ScpiPowerMeter("meter", options={"unit": "dbm", "averaging": 16})
    assert prepared(other) == [":INIT:CONT OFF", ":UNIT:POW DBM", ":SENS:AVER:COUN 16"]
    bare = ScpiPowerMeter("meter", {"set_averaging": None, "continuous_off": None})
    assert prepared(bare) == [":UNIT:POW W"]


@pytest.mark.parametrize(
    ("reply", "level_dbm"),
    [
        ("1E-3", 0.0),
        ("1.000000E-06", -30.0),
        ("-1E-9", -60.0),
        ("0", NOTHING_DBM),
        ("2E-3", 3.0103),
    ],
)
def test_watts_are_told_as_a_level_and_negative_ones_by_their_size(
    reply: str, level_dbm: float
) -> None:
    """1 mW is 0 dBm: the definition."""
    assert METER.trigger_point().value(reply) == pytest.approx(level_dbm, abs=1e-4)


@pytest.mark.parametrize("reply", ["9.91E37", "NAN", "", "watts"])
def test_what_is_no_power_is_refused(reply: str) -> None:
    with pytest.raises(BadReply, match="meter"):
        METER.trigger_point().value(reply)


def test_a_meter_of_another_make_needs_no_python() -> None:
    meter = ScpiPowerMeter(
        "meter",
        {"read": "MEASURE?", "set_frequency": "CAL {centre_mhz:.3f}", "zero": "ZERO?",
         "set_frequency_settled": "CAL? {centre_mhz:.3f}"},
        {"replies": {"read": "P={value} W", "zero": {"done": "ZEROED"},
                     "set_frequency_settled": {"done": "SET"}}},
    )  # fmt: skip
    assert meter.trigger_point().message == "MEASURE?"
    assert meter.trigger_point().value("P=1E-3 W") == pytest.approx(0.0)
    assert meter.zero(5.0).value("ZEROED") is True
    assert meter.set_centre(1.7e9).message == "CAL 1700.000"


@pytest.mark.parametrize(
    ("options", "fault"),
    [
        ({"averaging": 0}, "averaging"),
        ({"averaging": 2.5}, "averaging"),
        ({"unit": "volt"}, "unit"),
    ],
)
def test_options_that_make_no_sense_are_refused(options: dict[str, object], fault: str) -> None:
    with pytest.raises(BadTemplate, match=fault):
        ScpiPowerMeter("meter", options=options)


@pytest.mark.parametrize("command", ["zero", "read", "set_frequency_settled"])
def test_what_it_cannot_do_without_cannot_be_removed(command: str) -> None:
    with pytest.raises(BadTemplate, match=f"`{command}` is needed"):
        ScpiPowerMeter("meter", {command: None})


class Nothing:
    """Answers readings of `watts`, and after zeroing of `after`."""

    def __init__(self, watts: float, after: float = 1e-9) -> None:
        self.watts, self.after = watts, after
        self.said: list[str] = []

    def __call__(self, exchange: Exchange) -> str:
        self.said.append(exchange.message)
        if "ZERO" in exchange.message:
            self.watts = self.after
            return "1"
        return "1" if "FREQ" in exchange.message else f"{self.watts:.3E}"


ZERO = Zero(noise_dbm=-60.0, drift_dbm=-63.0, within_s=7.0)


def test_a_meter_that_reads_little_is_zeroed_and_looked_at_again() -> None:
    meter = Nothing(50e-9)
    CannedPlayer(meter).run(zeroed(METER, ZERO, 1.6e9))
    assert meter.said == [
        ":SENS:FREQ:CW 1600000000;*OPC?",
        *[":READ?"] * 4,
        ":CAL:ZERO:AUTO ONCE;*OPC?",
        *[":READ?"] * 4,
    ]
    assert METER.zero(7.0).timeout_s == 7.0


def test_a_meter_that_reads_something_with_rf_off_is_not_zeroed() -> None:
    meter = Nothing(1e-6)
    with pytest.raises(
        InstrumentRefused, match=r"meter: reads -30\.0 dBm with RF off, expected -60\.0 dBm"
    ):
        CannedPlayer(meter).run(zeroed(METER, ZERO, 1.6e9))
    assert not any("ZERO" in message for message in meter.said)


def test_a_zero_that_did_not_work_is_refused() -> None:
    with pytest.raises(InstrumentRefused, match=r"still reads -50\.0 dBm after it was zeroed"):
        CannedPlayer(Nothing(1e-9, after=10e-9)).run(zeroed(METER, ZERO, 1.6e9))
