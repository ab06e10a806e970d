"""Whether a source is off, by what the analyzer reads, against canned instruments with physics.

The world here: a path of 20 dB loss, noise at -105 dBm with a spread of half a decibel, and
transmitters outside that nothing done at the bench changes.
"""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

import numpy as np
import pytest

from benchd.acquire import Probe, Sweep, SweepInstruments, quiet, run_sweep, silent_after
from benchd.acquire.zeroing import Zero
from benchd.errors import InstrumentRefused, StillRadiating
from drivers.exchange import Exchange
from drivers.player import CannedPlayer
from drivers.powermeter import ScpiPowerMeter
from drivers.source import ScpiSource
from tests.acquire.test_procedures import ANALYZER, BOTH, SOURCE, plan

LOWEST_DBM = -60.0


class Room:
    """A source with a fault, an analyzer, and what else can be heard.

    radiates_off: the output obeys nothing. stuck: settings by name that ignore orders, at a value.
    pretends: queries tell what was ordered. after: how many orders of frequency are obeyed first.
    """

    def __init__(
        self,
        *,
        radiates_off: bool = False,
        stuck: Mapping[str, float] | None = None,
        pretends: bool = False,
        after: int = 0,
        ambient: Mapping[float, float] | None = None,
        loss_db: float = 20.0,
    ) -> None:
        self.radiates_off, self.pretends, self.loss_db = radiates_off, pretends, loss_db
        self.stuck, self.after = dict(stuck or {}), after
        self.ambient = dict(ambient or {})
        self.is_on, self.said_on = radiates_off, False
        self.ordered = {"frequency": 1e9, "level": -30.0}
        self.true = dict(self.ordered)
        self.centre_hz = 0.0
        self.noise = np.random.default_rng(7)
        self.highest_off_dbm = -300.0

    def __call__(self, exchange: Exchange) -> str | None:
        message = exchange.message
        if message.startswith(":OUTP:STAT O"):
            self.said_on = message.endswith("ON")
            self.is_on = self.said_on or self.radiates_off
        elif message.startswith(":SOUR:FREQ:CW "):
            self._order("frequency", float(message.split()[1].split(";")[0]))
        elif message.startswith(":SOUR:POW:LEV:IMM:AMPL "):
            self._order("level", float(message.split()[1]))
        elif message.startswith(":SENS:FREQ:CENT"):
            self.centre_hz = float(message.split()[1].split(";")[0])
        answers = {
            ":OUTP:STAT?": "1" if self.said_on else "0",
            ":SOUR:FREQ:CW?": f"{self._told('frequency'):.0f}",
            ":SOUR:POW:LEV:IMM:AMPL?": f"{self._told('level'):.2f}",
            ":STAT:QUES:EVEN?": "0",
        }
        if message.endswith("*OPC?"):
            return "1"
        return f"{self._reads():.4f}" if message.endswith("TRACE1") else answers.get(message)

    def _order(self, name: str, value: float) -> None:
        self.ordered[name] = value
        if name == "frequency" and self.after > 0:
            self.after -= 1
            self.true[name] = value
            return
        self.true[name] = self.stuck.get(name, value) if not self.after else value
        if name == "frequency" and "frequency" in self.stuck and self.stuck[name] == 0.0:
            self.stuck[name] = value  # wherever it stands when it gets stuck
            self.true[name] = value

    def _told(self, name: str) -> float:
        return self.ordered[name] if self.pretends else self.true[name]

    def _reads(self) -> float:
        power = 10 ** (-10.5) * 10 ** (self.noise.normal(0.0, 0.05))
        if self.is_on and abs(self.true["frequency"] - self.centre_hz) < 10e3:
            power += 10 ** ((self.true["level"] - self.loss_db) / 10)
            if not self.said_on:
                self.highest_off_dbm = max(self.highest_off_dbm, self.true["level"])
        for at_hz, level_dbm in self.ambient.items():
            if abs(at_hz - self.centre_hz) < 10e3:
                power += 10 ** (level_dbm / 10)
        return float(10 * np.log10(power))


class MeterRoom(Room):
    """The same with a power meter, which hears every frequency and reads in watts.

    caught: at the end of the sweep the source sticks at what it does, and says what it is told.
    """

    def __init__(self, *, caught: bool = False, **more: Any) -> None:
        super().__init__(**more)
        self.caught, self.zero_w = caught, 0.0

    def __call__(self, exchange: Exchange) -> str | None:
        message = exchange.message
        if message.startswith(":OUTP:STAT ON"):
            self.radiates_off = self.radiates_off or self.caught
        if "ZERO" in message:
            self.zero_w = self._carrier_w()
        if message == ":READ?":
            return f"{self._carrier_w() - self.zero_w + self.noise.normal(0.0, 1e-9):.6E}"
        return super().__call__(exchange)

    def _carrier_w(self) -> float:
        return float(10 ** ((self.true["level"] - self.loss_db - 30) / 10)) if self.is_on else 0.0


METER = SweepInstruments(
    analyzer=ScpiPowerMeter("meter"),
    source=SOURCE,
    zero=Zero(noise_dbm=-60.0, drift_dbm=-60.0, within_s=7.0),
)


def metered(room: MeterRoom, lowest_dbm: float) -> Sweep:
    player, chosen = CannedPlayer(room), plan(points=21, level_dbm=-10.0, detector="power")
    sweep = player.run(run_sweep(chosen, METER))
    for exchange in SOURCE.rf_off():
        room(exchange)
    found: Sweep = player.run(silent_after(chosen, METER, sweep, lowest_dbm))
    return found


def test_a_power_meter_sees_a_source_that_stays_on_follow_its_level() -> None:
    with pytest.raises(StillRadiating, match="the reading follows the source's level"):
        metered(MeterRoom(caught=True), LOWEST_DBM)


def test_a_power_meter_has_no_doubt_where_the_level_of_the_source_cannot_be_lowered() -> None:
    """A meter hears every frequency; before RF came on it read nothing, so it is the source."""
    with pytest.raises(StillRadiating, match="next to nothing before RF came on"):
        metered(MeterRoom(caught=True), lowest_dbm=-15.0)
    assert metered(MeterRoom(), lowest_dbm=-15.0).level_dbm.max() == pytest.approx(-30.0, abs=0.1)


def test_a_source_that_was_zeroed_away_is_seen_where_less_of_it_reads_more() -> None:
    """Too weak at the meter to keep it from being zeroed: only its absence reads something."""
    room = MeterRoom(radiates_off=True, loss_db=35.0)
    room.true["level"] = -10.0
    with pytest.raises(StillRadiating, match="the reading follows the source's level"):
        metered(room, LOWEST_DBM)


def swept(room: Room, **changes: Any) -> Sweep:
    """One sweep as the rig runs it: RF off and asked before and after, then the look."""
    player, chosen = CannedPlayer(room), plan(points=21, **changes)
    sweep = player.run(run_sweep(chosen, BOTH))
    for exchange in SOURCE.rf_off():
        room(exchange)
    assert room(SOURCE.rf_query()) == "0"
    found: Sweep = player.run(silent_after(chosen, BOTH, sweep, LOWEST_DBM))
    return found


@pytest.mark.parametrize("loss_db", [20.0, 60.0, 85.0])
@pytest.mark.parametrize("pretends", [False, True])
def test_a_source_that_only_says_off_is_found(loss_db: float, pretends: bool) -> None:
    room = Room(radiates_off=True, pretends=pretends, loss_db=loss_db)
    with pytest.raises(StillRadiating, match="the reading follows the source's frequency") as said:
        swept(room)
    assert said.value.where == "generator"
    assert "Switch it off by hand" in str(said.value)


def test_a_source_that_lies_and_stands_at_one_frequency_is_found_by_its_level() -> None:
    room = Room(radiates_off=True, stuck={"frequency": 1.7e9}, pretends=True)
    with pytest.raises(StillRadiating, match="follows the source's level"):
        swept(room)


@pytest.mark.parametrize("loss_db", [20.0, 90.0, 95.0, 99.0, 200.0])
@pytest.mark.parametrize("level_dbm", [-10.0, -60.0])
@pytest.mark.parametrize("average", [1, 8])
def test_an_honest_source_raises_no_alarm_however_near_the_noise(
    loss_db: float, level_dbm: float, average: int
) -> None:
    sweep = swept(Room(loss_db=loss_db), level_dbm=level_dbm, average=average)
    assert sweep.off_dbm
    assert sweep.flags == ()


@pytest.mark.parametrize("loss_db", [20.0, 60.0, 200.0])
def test_transmitters_outside_raise_no_alarm_be_they_ever_so_strong(loss_db: float) -> None:
    """At one frequency, and over the whole sweep, where every noise reading is theirs."""
    grid_hz = np.round(np.linspace(1.6e9, 1.8e9, 21))
    assert swept(Room(loss_db=loss_db, ambient={1.7e9: -20.0})).off_dbm
    assert swept(Room(loss_db=loss_db, ambient=dict.fromkeys(grid_hz, -25.0))).off_dbm


def test_a_source_that_stopped_radiating_only_after_the_sweep_is_found() -> None:
    room = Room(radiates_off=True)
    player, chosen = CannedPlayer(room), plan(points=21)
    sweep = player.run(run_sweep(chosen, BOTH))
    room.radiates_off = room.is_on = False
    with pytest.raises(StillRadiating, match="before the sweep, the analyzer read up to -30"):
        player.run(silent_after(chosen, BOTH, sweep, LOWEST_DBM))


def test_the_second_look_is_at_as_little_level_as_can_be_seen() -> None:
    room = Room(radiates_off=True)
    with pytest.raises(StillRadiating) as said:
        swept(room)
    probe = said.value.probe
    assert isinstance(probe, Probe)
    room.highest_off_dbm = -300.0
    player = CannedPlayer(room)
    # The noise before the sweep was the source itself, so that nothing tells how little will do.
    assert probe.level_dbm == -10.0
    with pytest.raises(StillRadiating, match="still reads -30"):
        player.run(quiet(probe))
    assert room.true["level"] == LOWEST_DBM
    room.radiates_off = room.is_on = False
    player.run(quiet(probe))


@pytest.mark.parametrize(
    ("stuck", "pretends", "after", "words"),
    [
        (
            {"level": -30.0},
            False,
            0,
            "the level is not what was set: .*expected -10 dBm, found -30",
        ),
        ({"level": 15.0}, False, 0, "found 15 dBm"),
        ({"frequency": 1e9}, False, 0, "expected 1600000000 Hz, found 1000000000 Hz"),
        ({"frequency": 0.0}, False, 12, "expected 16[0-9]0000000 Hz, found 16[0-9]0000000 Hz"),
    ],
)
def test_a_source_that_ignores_an_order_fails_the_sweep(
    stuck: dict[str, float], pretends: bool, after: int, words: str
) -> None:
    room = Room(stuck=stuck, pretends=pretends, after=after)
    with pytest.raises(InstrumentRefused, match=words):
        swept(room)


def test_a_level_that_was_ignored_is_noticed_before_rf_comes_on() -> None:
    room, said = Room(stuck={"level": 15.0}), []

    def noted(exchange: Exchange) -> str | None:
        said.append(exchange.message)
        return room(exchange)

    with pytest.raises(InstrumentRefused):
        CannedPlayer(noted).run(run_sweep(plan(), BOTH))
    assert ":OUTP:STAT ON" not in said


@pytest.mark.parametrize("removed", ["level_query", "frequency_query"])
def test_a_source_that_cannot_be_asked_is_not_asked_and_the_capture_says_so(removed: str) -> None:
    source = ScpiSource("generator", {removed: None})
    room = Room(stuck={"level": -20.0} if removed == "level_query" else None)
    both = SweepInstruments(analyzer=ANALYZER, source=source)
    assert CannedPlayer(room).run(run_sweep(plan(), both)).flags == ("not-read-back",)
