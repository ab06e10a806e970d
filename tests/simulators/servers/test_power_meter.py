"""The simulated power meter, spoken to without sockets, in simulated time."""

from __future__ import annotations

import math

import numpy as np
import pytest

from simulators.instruments.all_instruments import Workbench
from simulators.instruments.clock import SimulatedClock
from simulators.scpi import Conversation
from simulators.world import World
from simulators.world.files import read_world, world_path

NOT_A_NUMBER = "9.91E37"


class Talk:
    """The virtual bench with a power meter, and every reply at once."""

    def __init__(self) -> None:
        self.world = World(read_world(world_path("power-meter")))
        self.clock = SimulatedClock(0.0, monotonic=lambda: 0.0)
        self.bench = Workbench(self.world, self.clock)
        self._talks = {name: Conversation(one) for name, one in self.bench.instruments.items()}

    def say(self, name: str, message: str) -> str:
        talk = self._talks[name]
        talk.receive(message.encode() + b"\n")
        replies: list[bytes] = []
        while True:
            fresh, again_s = talk.advance(self.clock.now_s())
            replies += fresh
            if again_s is None:
                return b"".join(replies).decode().strip()
            self.clock.skip_to(again_s)

    def watts(self, count: int = 1) -> list[float]:
        return [float(self.say("meter", ":READ?")) for _ in range(count)]


@pytest.fixture
def talk() -> Talk:
    found = Talk()
    for message in (":UNIT:POW W", ":SENS:AVER:COUN 1", ":SENS:FREQ:CW 1.7E9"):
        found.say("meter", message)
    return found


def test_zeroed_it_reads_noise_around_nothing_which_averaging_lowers(talk: Talk) -> None:
    assert talk.say("meter", ":CAL:ZERO:AUTO ONCE;*OPC?") == "1"
    noise_w = talk.world.model.meter.noise_w
    one = np.array(talk.watts(200))
    talk.say("meter", ":SENS:AVER:COUN 16")
    mean = np.array(talk.watts(200))
    # The standard deviation of 200 readings is known to 5 %, their mean to 7 % of it.
    assert np.std(one) == pytest.approx(noise_w, rel=0.25)
    assert np.std(mean) == pytest.approx(noise_w / 4.0, rel=0.25)
    assert abs(np.mean(one)) < 0.4 * noise_w
    assert min(one) < 0.0 < max(one)


def test_a_negative_power_has_no_level(talk: Talk) -> None:
    talk.say("meter", ":CAL:ZERO:AUTO ONCE;*OPC?")
    talk.say("meter", ":UNIT:POW DBM")
    said = [talk.say("meter", ":READ?") for _ in range(40)]
    assert NOT_A_NUMBER in said
    assert any(float(one) < -50.0 for one in said if one != NOT_A_NUMBER)


def test_it_reads_the_source_and_its_harmonics_together(talk: Talk) -> None:
    for message in (":ROUT:CLOS (@101,201,301)", "*OPC?"):
        talk.say("switch", message)
    talk.say("meter", ":CAL:ZERO:AUTO ONCE;*OPC?")
    for message in (":SOUR:FREQ:CW 1.7E9", ":SOUR:POW:LEV:IMM:AMPL 0", ":OUTP:STAT ON", "*OPC?"):
        talk.say("generator", message)
    emission = talk.bench.feed.during(talk.clock.now_s(), talk.clock.now_s() + 1e-9)[-1][1]
    carrier_dbm = talk.bench.feed.fixed_level_dbm(emission, talk.clock.now_s())
    harmonics = talk.bench.feed.harmonics(emission, talk.clock.now_s())
    total_w = sum(10 ** ((level - 30) / 10) for level in (carrier_dbm, *(h[1] for h in harmonics)))
    (read_w,) = talk.watts()
    model = talk.world.model.meter
    most_db = model.response_db + model.linearity_db + 0.01
    assert abs(10 * math.log10(read_w / total_w)) < most_db
    # Told another frequency, it goes on reading all that arrives.
    talk.say("meter", ":SENS:FREQ:CW 1.2E9")
    (elsewhere_w,) = talk.watts()
    assert abs(10 * math.log10(elsewhere_w / read_w)) < 2 * most_db


def test_zeroed_with_rf_on_it_hides_what_arrives_and_the_record_shows_it(talk: Talk) -> None:
    talk.say("switch", ":ROUT:CLOS (@101,201,301)")
    for message in (":SOUR:FREQ:CW 1.7E9", ":SOUR:POW:LEV:IMM:AMPL 0", ":OUTP:STAT ON", "*OPC?"):
        talk.say("generator", message)
    (before_w,) = talk.watts()
    talk.say("meter", ":CAL:ZERO:AUTO ONCE;*OPC?")
    (after_w,) = talk.watts()
    assert abs(after_w) < 0.1 * before_w
    ((_, arriving_w),) = talk.bench.instruments["meter"].state()["zeroings"]
    assert arriving_w == pytest.approx(before_w, rel=0.1)


def test_a_reset_keeps_the_zero_and_too_much_power_is_counted(talk: Talk) -> None:
    talk.say("meter", ":CAL:ZERO:AUTO ONCE;*OPC?")
    talk.say("meter", "*RST")
    talk.say("meter", ":UNIT:POW W")
    assert abs(float(np.mean(talk.watts(20)))) < talk.world.model.meter.noise_w
    meter = talk.bench.instruments["meter"]
    for listener in talk.bench.feed.listeners:
        listener(24.0)
    assert meter.state()["damage"] == 1
    assert meter.state()["highest_input_dbm"] == 24.0


def test_faults_of_a_message_are_reported_as_scpi_has_them(talk: Talk) -> None:
    talk.say("meter", ":CAL:ZERO:AUTO TWICE")
    assert talk.say("meter", ":SYST:ERR?").startswith("-224")
    talk.say("meter", ":SENS:FREQ:CW 1E12")
    assert talk.say("meter", ":SYST:ERR?").startswith("-222")
