"""The simulated source: settling, limits, free-running sweep, and the history of its RF."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import numpy as np
import pytest


def test_the_identity_and_an_empty_error_queue(desk: Any) -> None:
    assert desk.ask("generator", "*IDN?;:SYST:ERR?;:SYST:VERS?") == (
        'Workshop,Source-6G,0001,1.0;0,"No error";1999.0'
    )


def test_rf_is_off_after_start_and_after_reset(desk: Any) -> None:
    assert desk.ask("generator", "OUTP?") == "0"
    assert desk.ask("generator", "OUTP ON;:OUTP?") == "1"
    assert desk.ask("generator", "*RST;:OUTP?") == "0"


@pytest.mark.parametrize(
    ("message", "query", "value"),
    [
        ("FREQ 1.7GHZ", "FREQ?", 1.7e9),
        (":SOURce:FREQuency:CW 1700 MHZ", "FREQ:CW?", 1.7e9),
        ("POW -10 DBM", "POW:LEV:IMM:AMPL?", -10.0),
        ("POW MAX", "POW?", 15.0),
        ("FREQ:STAR MIN", "FREQ:STAR?", 0.4e9),
        ("SWE:POIN 401", "SWE:POIN?", 401),
        ("SWE:DWEL 5MS", "SWE:DWEL?", 0.005),
    ],
)
def test_settings_are_taken_and_answered(desk: Any, message: str, query: str, value: float) -> None:
    assert float(desk.ask("generator", f"{message};:{query.removeprefix(':')}")) == value
    assert desk.errors("generator") == []


def test_a_query_tells_the_limits(desk: Any) -> None:
    reply = desk.ask("generator", "FREQ? MIN;FREQ? MAX;:POW? MAX")
    assert [float(part) for part in reply.split(";")] == [0.4e9, 6e9, 15.0]


@pytest.mark.parametrize(
    ("message", "error"),
    [
        ("FREQ 7GHZ", '-222,"Data out of range;7e+09 is outside 400000000 to 6e+09 HZ"'),
        ("POW 15.1", '-222,"Data out of range;15.1 is outside -60 to 15 DBM"'),
        ("FREQ", '-109,"Missing parameter;[SOURce:]FREQuency[:CW]"'),
        ("FREQ 1e9,2e9", '-108,"Parameter not allowed;2e9"'),
        ("OUTP MAYBE", '-224,"Illegal parameter value;MAYBE, expected ON, OFF, 1 or 0"'),
        (
            "FREQ:MODE WALK",
            '-224,"Illegal parameter value;WALK, expected CW or FIXed or SWEep or LIST"',
        ),
        ("FRQ 1e9", '-113,"Undefined header;FRQ"'),
        ("FREQ 1 DBM", '-131,"Invalid suffix;DBM, expected one of HZ KHZ MHZ MAHZ GHZ"'),
    ],
)
def test_what_cannot_be_done_is_refused_and_changes_nothing(
    desk: Any, message: str, error: str
) -> None:
    before = dict(desk.bench.instruments["generator"].values)
    desk.ask("generator", message)
    assert desk.errors("generator") == [error]
    assert desk.bench.instruments["generator"].values == before


def test_operation_complete_waits_for_settling_and_other_queries_do_not(
    make_desk: Callable[..., Any],
) -> None:
    desk = make_desk(generator={"settle_s": 0.003})
    desk.ask("generator", "OUTP ON;*OPC?")
    start_s = desk.time_s
    desk.send("generator", "FREQ 2E9;:FREQ?;*OPC?")
    assert desk.poll("generator") == ([], pytest.approx(start_s + 0.003))
    desk.time_s = start_s + 0.003
    assert desk.poll("generator") == ([b"2.00000000000E+09;1\n"], None)


def test_operation_complete_event_is_set_when_settled(make_desk: Callable[..., Any]) -> None:
    # IEEE 488.2-1992, 10.18: *OPC sets bit 0 of the event register when all is finished.
    desk = make_desk(generator={"settle_s": 0.01})
    desk.ask("generator", "*CLS;*ESE 1;:OUTP ON;*OPC")
    assert desk.ask("generator", "*ESR?") == "0"
    desk.time_s += 0.011
    assert desk.ask("generator", "*STB?;*ESR?;*ESR?") == "32;1;0"


def test_until_settled_the_old_frequency_is_still_emitted(make_desk: Callable[..., Any]) -> None:
    desk = make_desk(generator={"settle_s": 0.01})
    desk.ask("generator", "FREQ 1E9;:OUTP ON;*OPC?")
    desk.ask("generator", "FREQ 2E9")
    changed_s = desk.time_s
    times = changed_s + np.array([0.005, 0.015])
    frequency, level = desk.bench.feed.at_times(times)
    np.testing.assert_array_equal(frequency, [1e9, 2e9])
    np.testing.assert_allclose(level, [-50.0, -50.0])  # -30 dBm through 20 dB


def test_rf_off_takes_effect_at_once_even_while_settling(make_desk: Callable[..., Any]) -> None:
    desk = make_desk(generator={"settle_s": 0.01})
    desk.ask("generator", "OUTP ON;*OPC?")
    desk.ask("generator", "FREQ 2E9")
    desk.time_s += 0.005
    desk.ask("generator", "OUTP OFF")
    _, level = desk.bench.feed.at_times(desk.time_s + np.array([0.0, 0.1]))
    np.testing.assert_array_equal(level, [-300.0, -300.0])


def test_the_free_running_sweep_is_a_function_of_simulated_time(desk: Any) -> None:
    desk.ask(
        "generator",
        "FREQ:STAR 1E9;STOP 1.4E9;MODE SWE;:SWE:POIN 5;DWEL 0.01;:OUTP ON;:INIT:CONT ON",
    )
    begin_s = desk.time_s
    frequency, _ = desk.bench.feed.at_times(begin_s + np.array([0.005, 0.015, 0.045, 0.055]))
    np.testing.assert_allclose(frequency, [1.0e9, 1.1e9, 1.4e9, 1.0e9])
    assert desk.errors("generator") == []


def test_a_sweep_that_is_not_started_waits_at_its_first_frequency(desk: Any) -> None:
    desk.ask("generator", "FREQ:STAR 1E9;STOP 1.4E9;MODE SWE;:OUTP ON")
    frequency, _ = desk.bench.feed.at_times(np.array([1.0, 2.0]))
    np.testing.assert_array_equal(frequency, [1e9, 1e9])


def test_the_history_tells_when_rf_was_on_and_every_level(desk: Any) -> None:
    desk.time_s = 1.0
    desk.ask("generator", "POW -20;:OUTP ON")
    desk.time_s = 2.0
    desk.ask("generator", "POW -5;POW -10;:OUTP OFF")
    desk.ask("generator", "POW 10")
    state = desk.bench.state()["instruments"]["generator"]
    assert state["rf_history"] == [[0.0, False], [1.0, True], [2.0, False]]
    assert state["level_history"] == [[1.0, -20.0], [2.0, -5.0], [2.0, -10.0], [2.0, 10.0]]
    # 10 dBm was set but never emitted.
    assert (state["highest_level_dbm"], state["rf_on"]) == (-5.0, False)


def test_the_user_data_of_the_standard_hold_any_bytes(desk: Any) -> None:
    # IEEE 488.2-1992, 10.26 and 10.27.
    desk.send("generator", "*PUD #15a\nb;c")
    assert desk.ask("generator", "*PUD?") == "#15a\nb;c"
    assert desk.errors("generator") == []
