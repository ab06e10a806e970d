"""The virtual bench's clock, and what is worked out ahead of time."""

from __future__ import annotations

import pytest

from simulators.instruments import SimulatedClock
from tests.simulators.servers.harness import Desk


class Time:
    """A clock that a test turns by hand, and when the last message arrived."""

    def __init__(self, time_scale: float) -> None:
        self.real_s = self.arrived_s = 100.0
        self.clock = SimulatedClock(time_scale, monotonic=lambda: self.real_s)
        self.clock.arrival_s = lambda: self.arrived_s


@pytest.mark.parametrize("time_scale", [1.0, 0.1])
def test_a_message_is_carried_out_at_the_time_at_which_it_arrived(time_scale: float) -> None:
    time = Time(time_scale)
    time.arrived_s, time.real_s = 100.0010, 100.0015
    time.clock.hold_at_arrival()
    time.real_s = 100.0019
    assert time.clock.now_s() == pytest.approx(0.0010 / time_scale, abs=1e-9)
    time.clock.go_on()
    assert time.clock.now_s() == pytest.approx(0.0019 / time_scale, abs=1e-9)


def test_what_took_long_in_between_does_take_its_time() -> None:
    time = Time(1.0)
    time.arrived_s, time.real_s = 101.0, 104.0
    time.clock.hold_at_arrival()
    assert time.clock.now_s() == pytest.approx(3.998, abs=1e-9)


def test_a_clock_that_is_moved_by_those_who_wait_is_not_held() -> None:
    time = Time(0.0)
    time.clock.hold_at_arrival()
    time.clock.skip_to(2.5)
    assert time.clock.now_s() == 2.5


def test_what_is_worked_out_ahead_shows_nowhere_and_changes_no_reading() -> None:
    readings = []
    for is_prepared in (False, True):
        desk = Desk()
        for message in (
            ":INIT:CONT OFF;:SENS:FREQ:SPAN 0;:SENS:SWE:POIN 1;:SENS:SWE:TIME 1E-4",
            ":SENS:DET:FUNC RMS;:FORM:TRAC:DATA ASC;:SENS:FREQ:CENT 1.7E9",
        ):
            desk.ask("analyzer", message)
        desk.ask("generator", ":SOUR:POW -10;:OUTP ON;:SOUR:FREQ:CW 1.7E9;*OPC?")
        before = desk.bench.state()
        if is_prepared:
            desk.bench.instruments["generator"].prepare(desk.time_s + 1e-3)
            assert desk.bench.state() == before
        desk.time_s += 1e-3
        readings.append(desk.ask("analyzer", ":INIT:IMM;*WAI;:TRAC:DATA? TRACE1"))
        assert float(readings[-1]) == pytest.approx(-30.0, abs=0.5)
    assert readings[0] == readings[1]
