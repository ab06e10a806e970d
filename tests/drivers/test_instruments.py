"""What the drivers say, and how they read what comes back."""

from __future__ import annotations

import struct
from typing import Any

import numpy as np
import pytest
from numpy.testing import assert_allclose, assert_array_equal

from drivers.analyzer import AnalyzerStatus, ScpiAnalyzer
from drivers.errors import BadReply, BadSetting, BadTemplate, Refused
from drivers.exchange import Batch, Exchange, Procedure, Reply
from drivers.instrument import MOST_QUEUED_ERRORS
from drivers.lid import ScpiLid
from drivers.parse import InstrumentError
from drivers.player import CannedPlayer
from drivers.source import ScpiSource
from drivers.switch import ScpiSwitch
from drivers.thermometer import ScpiThermometer


def messages(batch: Batch) -> list[str]:
    return [exchange.message for exchange in batch]


def test_a_source_is_set_in_standard_words() -> None:
    source = ScpiSource("generator")
    assert source.set_frequency(1.7e9) == Exchange("generator", ":SOUR:FREQ:CW 1700000000")
    settled = source.set_frequency_settled(1_700_000_000.25)
    assert settled.message == ":SOUR:FREQ:CW 1700000000.25;*OPC?"
    assert settled.reply is Reply.TEXT
    assert settled.value("1") is True
    assert source.set_level(-12.345).message == ":SOUR:POW:LEV:IMM:AMPL -12.345"
    assert source.level_query().value("-1.2345E+01") == -12.345
    assert source.frequency_query().value("1.7E9") == 1.7e9
    assert messages(source.free_run(1.5e9, 1.9e9, 401, 0.005)) == [
        ":SOUR:FREQ:STAR 1500000000",
        ":SOUR:FREQ:STOP 1900000000",
        ":SOUR:SWE:POIN 401",
        ":SOUR:SWE:DWEL 0.005",
        ":SOUR:FREQ:MODE SWE;:INIT:CONT ON",
    ]
    assert messages(source.free_run_stop()) == [":INIT:CONT OFF;:SOUR:FREQ:MODE CW"]


def test_only_what_radiates_or_moves_is_marked_so() -> None:
    source, analyzer, switch = ScpiSource("g"), ScpiAnalyzer("a"), ScpiSwitch("s")
    marked = [
        exchange.message
        for batch in (
            source.rf_on(),
            source.rf_off(),
            (source.rf_query(), source.set_level(0.0), source.set_frequency(1e9)),
            analyzer.tracking_on(-10.0),
            analyzer.tracking_off(),
            switch.close([101, 302]),
            (switch.closed_query(101),),
        )
        for exchange in batch
        if exchange.radiates
    ]
    assert marked == [":OUTP:STAT ON", ":OUTP:TRAC ON", ":ROUT:CLOS (@101,302)"]


def test_an_analyzer_is_set_for_points() -> None:
    analyzer = ScpiAnalyzer("analyzer")
    batch = analyzer.prepare_point_mode(
        resolution_bandwidth_hz=10e3,
        video_bandwidth_hz=100e3,
        detector="rms",
        dwell_s=0.002,
        reference_level_dbm=-10.0,
        attenuation_db=10.0,
    )
    assert messages(batch) == [
        ":INIT:CONT OFF",
        ":TRAC1:MODE WRIT",
        ":SENS:FREQ:SPAN 0",
        ":SENS:SWE:POIN 1",
        ":SENS:BAND:RES 10000",
        ":SENS:BAND:VID 100000",
        ":SENS:DET:FUNC RMS",
        ":DISP:WIND:TRAC:Y:SCAL:RLEV -10",
        ":SENS:POW:RF:ATT 10",
        ":SENS:SWE:TIME 0.002",
        ":FORM:TRAC:DATA ASC",
    ]
    point = analyzer.point(1.7e9)
    assert point.message == ":SENS:FREQ:CENT 1700000000;:INIT:IMM;*WAI;:TRAC:DATA? TRACE1"
    assert point.value("-2.345E+01") == -23.45
    assert analyzer.trigger_point().message == ":INIT:IMM;*WAI;:TRAC:DATA? TRACE1"
    assert analyzer.set_centre(1.7e9).message == ":SENS:FREQ:CENT 1700000000"
    assert analyzer.set_centre_settled(1.7e9).message == ":SENS:FREQ:CENT 1700000000;*OPC?"


def test_an_analyzer_is_set_for_a_sweep_and_leaves_to_it_what_is_not_given() -> None:
    analyzer = ScpiAnalyzer("analyzer", options={"byte_order": "little"})
    common = {
        "start_hz": 1.5e9,
        "stop_hz": 1.9e9,
        "points": 401,
        "resolution_bandwidth_hz": 10e3,
        "detector": "peak",
    }
    plain = analyzer.prepare_sweep(**common, video_bandwidth_hz=None)  # type: ignore[arg-type]
    assert messages(plain) == [
        ":INIT:CONT OFF",
        ":TRAC1:MODE WRIT",
        ":SENS:FREQ:STAR 1500000000",
        ":SENS:FREQ:STOP 1900000000",
        ":SENS:SWE:POIN 401",
        ":SENS:BAND:RES 10000",
        ":SENS:DET:FUNC POS",
        ":SENS:SWE:TIME:AUTO ON",
        ":FORM:TRAC:DATA REAL,32",
        ":FORM:BORD SWAP",
    ]
    full = analyzer.prepare_sweep(
        **common,  # type: ignore[arg-type]
        video_bandwidth_hz=30e3,
        sweep_time_s=0.5,
        max_hold=True,
    )
    assert messages(full)[-4:] == [
        ":SENS:SWE:TIME 0.5",
        ":FORM:TRAC:DATA REAL,32",
        ":FORM:BORD SWAP",
        ":TRAC1:MODE MAXH",
    ]


@pytest.mark.parametrize(
    ("options", "kind", "wire"),
    [
        ({}, Reply.BLOCK, struct.pack(">3f", -1, -2, -3)),
        ({"byte_order": "little"}, Reply.BLOCK, struct.pack("<3f", -1, -2, -3)),
        ({"trace_format": "real64"}, Reply.BLOCK, struct.pack(">3d", -1, -2, -3)),
        ({"trace_format": "ascii"}, Reply.TEXT, "-1.0,-2.0,-3.0"),
        (
            {"trace_format": "ascii", "reply_style": "headed"},
            Reply.TEXT,
            "TRACE -1.0,-2.0,-3.0 DBM",
        ),
    ],
    ids=["big", "little", "double", "ascii", "headed"],
)
def test_traces_in_every_format(options: dict[str, Any], kind: Reply, wire: str | bytes) -> None:
    exchange = ScpiAnalyzer("analyzer", options=options).fetch_trace(3)
    assert exchange.reply is kind
    assert exchange.block_bytes == (len(wire) if isinstance(wire, bytes) else None)
    assert_array_equal(exchange.value(wire), np.array([-1.0, -2.0, -3.0]))


def test_a_bad_trace_names_instrument_and_command() -> None:
    with pytest.raises(BadReply) as caught:
        ScpiAnalyzer("analyzer").fetch_trace(3).value(b"\0" * 8)
    assert str(caught.value) == (
        "analyzer: expected 3 points (12 bytes), found 8 bytes (2 points) "
        "(command: ':TRAC:DATA? TRACE1')"
    )


@pytest.mark.parametrize(
    ("reply", "status"),
    [
        ("0", AnalyzerStatus(overload=False, uncalibrated=False)),
        ("8", AnalyzerStatus(overload=True, uncalibrated=False)),
        ("256", AnalyzerStatus(overload=False, uncalibrated=True)),
        ("+2.64E+2", AnalyzerStatus(overload=True, uncalibrated=True)),
        ("1", AnalyzerStatus(overload=False, uncalibrated=False)),
    ],
)
def test_status_bits(reply: str, status: AnalyzerStatus) -> None:
    assert ScpiAnalyzer("analyzer").status().value(reply) == status


def test_a_status_that_is_no_register_is_refused() -> None:
    for reply in ("-1", "65536", "8.5"):
        with pytest.raises(BadReply):
            ScpiAnalyzer("analyzer").status().value(reply)


def test_several_values_at_one_point_are_combined_as_the_detector_would() -> None:
    analyzer = ScpiAnalyzer("analyzer", options={"point_samples": 3})
    expected = {
        # Mean power of 1 mW, 10 mW and 100 mW is 37 mW: 10 lg 37 = 15.682 dBm.
        "rms": 15.68201724,
        "log-average": 10.0,
        "peak": 20.0,
        "sample": 10.0,
    }
    for detector, level_dbm in expected.items():
        batch = analyzer.prepare_point_mode(
            resolution_bandwidth_hz=1e4, video_bandwidth_hz=None, detector=detector, dwell_s=0.01
        )
        assert ":SENS:SWE:POIN 3" in messages(batch)
        assert_allclose(analyzer.trigger_point().value("0,10,20"), level_dbm, rtol=1e-9)
        assert_allclose(analyzer.point(1e9).value("0,10,20"), level_dbm, rtol=1e-9)


@pytest.mark.parametrize(
    ("options", "complaint"),
    [
        ({"trace_formt": "ascii"}, "no option `trace_formt`; did you mean `trace_format`?"),
        ({"zzz": 1}, "no option `zzz`; known: reply_style, trace_format"),
        ({"trace_format": "real16"}, "must be one of real32, real64, ascii; found 'real16'"),
        ({"byte_order": "middle"}, "must be one of big, little; found 'middle'"),
        ({"point_samples": 0}, "a whole number from 1 to 100001; found 0"),
        ({"point_samples": True}, "found True"),
        ({"detectors": {"rms": "RMS;*RST"}}, "letters, digits and commas only"),
        ({"detectors": {"rms": "RMS\n"}}, "letters, digits and commas only"),
        ({"detectors": {"rms": "effektivmaß"}}, "letters, digits and commas only"),
        ({"detectors": {"rns": "RMS"}}, "knows rms, log-average, peak, sample; found 'rns'"),
        ({"detectors": "RMS"}, "must be a table"),
        ({"reply_style": "wordy"}, "must be one of bare, headed"),
    ],
)
def test_options_that_cannot_be_used_are_refused(options: dict[str, Any], complaint: str) -> None:
    with pytest.raises(BadTemplate) as caught:
        ScpiAnalyzer("analyzer", options=options)
    assert complaint in str(caught.value)


def test_an_unknown_detector_is_refused() -> None:
    analyzer = ScpiAnalyzer("analyzer", options={"detectors": {"peak": "PEAK"}})
    with pytest.raises(BadSetting, match="rms, log-average, peak, sample; found 'quasi-peak'"):
        analyzer.prepare_point_mode(
            resolution_bandwidth_hz=1e4,
            video_bandwidth_hz=None,
            detector="quasi-peak",
            dwell_s=0.01,
        )


def test_a_switch_closes_waits_and_tells() -> None:
    switch = ScpiSwitch("selector")
    assert messages(switch.close(101)) == [":ROUT:CLOS (@101)", "*OPC?"]
    assert messages(switch.open([101, 302])) == [":ROUT:OPEN (@101,302)", "*OPC?"]
    query = switch.closed_query([101, 102, 301])
    assert query.message == ":ROUT:CLOS? (@101,102,301)"
    assert query.value("1,0,1") == (True, False, True)
    assert ScpiSwitch("selector", {"finished": None}).close(7) == (
        Exchange("selector", ":ROUT:CLOS (@7)", radiates=True),
    )


def test_lid_and_thermometer() -> None:
    assert ScpiLid("lid").open_query().value("1") is True
    assert ScpiThermometer("room").temperature_query().value("2.15E+1") == 21.5
    with pytest.raises(BadReply, match="a temperature in degrees Celsius, found '400'"):
        ScpiThermometer("room").temperature_query().value("400")


def test_a_dialect_needs_no_python() -> None:
    source = ScpiSource(
        "generator",
        {
            "set_frequency": "CARR:HZ {frequency_hz:.0f}",
            "set_frequency_settled": "CARR:HZ {frequency_hz:.0f};*OPC?",
            "next_error": "OOPS?",
        },
        {"reply_style": "headed"},
    )
    assert source.set_frequency_settled(1.7e9).message == "CARR:HZ 1700000000;*OPC?"
    assert source.next_error().message == "OOPS?"
    # Common queries are answered bare whatever the style; the others with header and unit.
    assert source.set_frequency_settled(1.7e9).value("1") is True
    assert source.level_query().value("POWER -10.5 DBM") == -10.5
    assert source.rf_query().value("OUTPUT ON") is True


class Queue:
    """An instrument with an error queue, which objects to some messages."""

    def __init__(self, objections: dict[str, str]) -> None:
        self.objections = objections
        self.errors: list[str] = []

    def __call__(self, exchange: Exchange) -> str | None:
        if exchange.message == ":SYST:ERR?":
            return self.errors.pop(0) if self.errors else '0,"No error"'
        if exchange.message in self.objections:
            self.errors.append(self.objections[exchange.message])
        return None if exchange.reply is Reply.NONE else "1"


def test_the_error_queue_is_drained_in_order() -> None:
    queue = Queue({})
    queue.errors = ['-113,"Undefined header"', '-222,"Data out of range"']
    player = CannedPlayer(queue)
    assert player.run(ScpiSource("generator").drain_errors()) == (
        InstrumentError(-113, "Undefined header"),
        InstrumentError(-222, "Data out of range"),
    )
    assert player.messages("generator") == [":SYST:ERR?"] * 3


def test_a_queue_that_never_empties_is_left_alone_after_32_entries() -> None:
    player = CannedPlayer(lambda exchange: '-350,"Queue overflow"')
    found = player.run(ScpiSource("generator").drain_errors())
    assert len(found) == MOST_QUEUED_ERRORS == 32


def test_an_instrument_error_names_the_command_that_caused_it() -> None:
    source = ScpiSource("generator")
    batch = (source.set_frequency(1e9), source.set_level(99.0), source.rf_query())
    queue = Queue({":SOUR:POW:LEV:IMM:AMPL 99": '-222,"Data out of range"'})
    player = CannedPlayer(queue)
    with pytest.raises(Refused) as caught:
        player.run(source.confirm(batch))
    assert caught.value.code == -222
    assert str(caught.value) == (
        "generator: reports error -222: Data out of range (command: ':SOUR:POW:LEV:IMM:AMPL 99')"
    )
    assert ":OUTP:STAT?" not in player.messages("generator")


def test_a_confirmed_batch_gives_the_same_values() -> None:
    source, analyzer = ScpiSource("generator"), ScpiAnalyzer("analyzer")
    batch = (source.set_frequency(1e9), analyzer.set_centre(1e9), source.rf_query())
    player = CannedPlayer(Queue({}))
    assert player.run(source.confirm(batch)) == [None, None, True]
    assert player.messages("analyzer") == [":SENS:FREQ:CENT 1000000000"]


def test_errors_found_at_the_end_are_all_counted() -> None:
    queue = Queue({})
    queue.errors = ['-113,"Undefined header"', '-222,"Data out of range"']
    with pytest.raises(
        Refused, match=r"error -113: Undefined header \(and 1 more: -222\) \(command: 'the sweep'\)"
    ):
        CannedPlayer(queue).run(ScpiSource("generator").expect_no_errors("the sweep"))


def test_without_an_error_queue_nothing_is_asked() -> None:
    source = ScpiSource("generator", {"next_error": None})
    player = CannedPlayer(Queue({}))

    def all_of_it() -> Procedure[None]:
        yield from source.confirm((source.set_frequency(1e9),))
        yield from source.expect_no_errors()

    player.run(all_of_it())
    assert player.messages("generator") == [":SOUR:FREQ:CW 1000000000"]
