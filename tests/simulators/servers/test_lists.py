"""Lists of the simulated instruments: what triggers them, what they tell, and RF whatever runs."""

from __future__ import annotations

from typing import Any

import numpy as np
import pytest

LIST = "1.60e9,1.65e9,1.70e9,1.75e9"


def loaded(desk: Any, source_by: str, analyzer_by: str) -> None:
    """Both loaded with the same list, RF on, the open standard on the path."""
    desk.ask("switch", "ROUT:CLOS (@101,201,301)")
    desk.ask("generator", "POW 0;:OUTP ON")
    desk.ask("generator", f"LIST:FREQ {LIST};:LIST:DWEL 5MS;:TRIG:SOUR {source_by}")
    desk.ask("generator", "FREQ:MODE LIST")
    desk.ask("analyzer", "FREQ:SPAN 0;:SWE:POIN 1;:BAND 100e3;:DET RMS;:SWE:TIME 1MS")
    desk.ask("analyzer", f"LIST:FREQ {LIST};:LIST:DWEL 1MS;:TRIG:SOUR {analyzer_by}")
    desk.ask("analyzer", "FREQ:MODE LIST;:FORM ASC")
    assert desk.errors("generator") == desk.errors("analyzer") == []


def running(desk: Any) -> list[bool]:
    """Whether sweeping (bit 3) or waiting (bit 5) stands in the operation status of each."""
    return [
        bool(int(desk.ask(name, "STAT:OPER:COND?")) & 0x28) for name in ("generator", "analyzer")
    ]


def passed(desk: Any, seconds: float) -> None:
    desk.time_s += seconds


def test_each_waits_for_the_other_and_the_readings_come_as_one_trace(desk: Any) -> None:
    loaded(desk, "EXT", "EXT")
    desk.ask("generator", "INIT")
    assert running(desk) == [True, False]
    desk.ask("analyzer", "INIT")
    passed(desk, 0.1)
    assert running(desk) == [False, False]
    assert [desk.ask(name, "LIST:POIN:CURR?") for name in ("generator", "analyzer")] == ["4", "4"]
    levels = np.fromstring(desk.ask("analyzer", "TRAC? TRACE1"), sep=",")
    assert levels.shape == (4,)
    # Far above the noise: each was read where the source stood.
    assert float(levels.min()) > -40.0


def test_a_pulse_that_is_lost_leaves_the_analyzer_waiting_without_a_trace(desk: Any) -> None:
    loaded(desk, "IMM", "EXT")
    desk.bench.bus.missed = {2}
    desk.ask("analyzer", "INIT")
    desk.ask("generator", "INIT")
    passed(desk, 0.1)
    assert running(desk) == [False, True]
    assert desk.ask("analyzer", "LIST:POIN:CURR?") == "3"
    desk.ask("analyzer", "TRAC? TRACE1")
    assert desk.errors("analyzer")[0].startswith("-230")


def test_a_trigger_that_nobody_waits_for_is_counted_and_changes_nothing(desk: Any) -> None:
    loaded(desk, "BUS", "BUS")
    desk.ask("generator", "INIT")
    for _ in range(5):
        desk.ask("generator", "TRIG:IMM;*OPC?")
    state = desk.bench.instruments["generator"].state()["list"]
    assert state == {"running": False, "points": 4, "place": 4, "ignored": 1}


@pytest.mark.parametrize("end", ["ABOR", "FREQ:MODE CW", "*RST"])
def test_a_list_ends_at_once(desk: Any, end: str) -> None:
    loaded(desk, "IMM", "EXT")
    desk.ask("generator", "INIT")
    passed(desk, 0.007)
    assert running(desk)[0]
    desk.ask("generator", end)
    place = desk.ask("generator", "LIST:POIN:CURR?")
    passed(desk, 0.1)
    assert not running(desk)[0]
    assert desk.ask("generator", "LIST:POIN:CURR?") == place


def test_rf_goes_off_in_mid_list_and_nothing_arrives_from_then_on(desk: Any) -> None:
    loaded(desk, "IMM", "EXT")
    desk.ask("analyzer", "INIT")
    desk.ask("generator", "INIT")
    passed(desk, 0.011)
    desk.ask("generator", "OUTP OFF")
    passed(desk, 0.1)
    levels = np.fromstring(desk.ask("analyzer", "TRAC? TRACE1"), sep=",")
    assert float(levels[0]) > -40.0
    assert float(levels[-1]) < -70.0
    assert not desk.bench.rf_is_on()


@pytest.mark.parametrize(
    ("message", "error"),
    [
        ("INIT", "-213"),
        ("FREQ:MODE LIST;:INIT", "-221"),
        ("LIST:FREQ 1e9;:FREQ:MODE LIST;:TRIG:SOUR EXT;:INIT;:LIST:FREQ 2e9", "-221"),
        ("LIST:FREQ 1e9;:FREQ:MODE LIST;:TRIG:SOUR EXT;:INIT;:INIT", "-213"),
        ("LIST:FREQ " + ",".join(["1e9"] * 1001), "-223"),
    ],
)
def test_what_a_list_cannot_do_is_refused(desk: Any, message: str, error: str) -> None:
    desk.ask("generator", message)
    assert desk.errors("generator")[0].startswith(error)


def test_a_word_for_a_number_is_no_point_of_a_list(desk: Any) -> None:
    for name in ("generator", "analyzer"):
        desk.ask(name, "LIST:FREQ 1.7E9,MAX")
        (error,) = desk.errors(name)
        assert error.startswith("-104,"), name
