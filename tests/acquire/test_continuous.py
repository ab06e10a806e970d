"""Sweeps that go on until nobody wants them, against canned instruments."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import numpy as np
import pytest

from benchd.acquire import (
    Sweep,
    SweepInstruments,
    continuous_sweeps,
    silent_after_all,
)
from benchd.acquire.plan import Procedure
from benchd.errors import InstrumentRefused, StillRadiating
from drivers.exchange import Exchange
from drivers.player import CannedPlayer
from tests.acquire.test_procedures import ANALYZER, BOTH, SOURCE, Bench, plan
from tests.acquire.test_radiation_check import LOWEST_DBM, Room

TRACKER = SweepInstruments(analyzer=ANALYZER)


def no_checks() -> Procedure[None]:
    yield from ()


def swept(
    bench: Callable[[Exchange], Any],
    goes_on: Callable[[int], bool],
    instruments: SweepInstruments = BOTH,
    checks: Callable[[], Procedure[None]] = no_checks,
    **changes: object,
) -> tuple[Sweep | None, list[Sweep], list[str]]:
    """Run it. goes_on: gets how often it was asked before.

    Returns the last readings, the whole sweeps, and what the radiating instrument was sent."""
    asked = 0
    taken: list[Sweep] = []

    def ask() -> bool:
        nonlocal asked
        asked += 1
        return goes_on(asked - 1)

    player = CannedPlayer(bench)
    last = player.run(
        continuous_sweeps(
            plan(**changes), instruments, goes_on=ask, took=taken.append, checks=checks
        )
    )
    name = "analyzer" if instruments.source is None else "generator"
    return last, taken, player.messages(name)


def test_rf_comes_on_once_and_every_sweep_is_whole() -> None:
    bench = Bench()
    # Asked once before anything, once before RF comes on, then before each of 5 points.
    last, taken, sent = swept(bench, lambda times: times < 2 + 3 * 5)
    assert len(taken) == 3
    assert last is taken[-1]
    assert sent.count(":OUTP:STAT ON") == 1
    for sweep in taken:
        np.testing.assert_array_equal(sweep.frequency_hz, np.linspace(1.6e9, 1.8e9, 5))
        assert sweep.level_dbm[2] == pytest.approx(-50.0)
        assert sweep.noise_dbm is not None
        assert float(sweep.noise_dbm.max()) == pytest.approx(-100.0)
        assert sweep.again_dbm == pytest.approx(float(sweep.level_dbm.max()))
    # The noise was read with RF off, everything after it with RF on.
    switched = bench.rf_at_each_reading.index(True)
    assert all(bench.rf_at_each_reading[switched:])
    # Level and frequency are asked back once before RF and once a sweep.
    assert sent.count(":SOUR:POW:LEV:IMM:AMPL?") == 1 + 3


@pytest.mark.parametrize("asked", [0, 1])
def test_where_nobody_looks_any_more_rf_does_not_come_on(asked: int) -> None:
    bench = Bench()
    last, taken, sent = swept(bench, lambda times: times < asked)
    assert (last, taken) == (None, [])
    assert ":OUTP:STAT ON" not in sent


def test_it_ends_at_the_next_point_and_hands_over_what_it_read_for_the_look_at_silence() -> None:
    bench = Bench()
    last, taken, _ = swept(bench, lambda times: times < 2 + 3)
    assert taken == []
    assert last is not None
    assert last.frequency_hz.size == 3
    for exchange in SOURCE.rf_off():
        bench(exchange)
    after = CannedPlayer(bench).run(silent_after_all(plan(), BOTH, last, -60.0))
    assert after is not None
    assert max(after.off_dbm) == pytest.approx(-100.0)
    assert bench.rf is False


def test_a_look_that_read_nothing_has_nothing_to_compare_silence_with() -> None:
    assert CannedPlayer(Bench()).run(silent_after_all(plan(), BOTH, None, -60.0)) is None


def test_a_source_that_ignores_its_level_is_noticed_before_rf_comes_on() -> None:
    class Deaf(Bench):
        def __call__(self, exchange: Exchange) -> str | None:
            answer = super().__call__(exchange)
            self.source_dbm = 10.0
            return answer

    bench = Deaf()
    with pytest.raises(InstrumentRefused, match="the level is not what was set"):
        swept(bench, lambda times: True)
    assert bench.rf is False


def test_a_check_that_fails_ends_it_before_its_sweep_is_shown() -> None:
    def broken() -> Procedure[None]:
        yield from ()
        raise InstrumentRefused("channels [204] are open")

    taken: list[Sweep] = []
    procedure = continuous_sweeps(
        plan(), BOTH, goes_on=lambda: True, took=taken.append, checks=broken
    )
    with pytest.raises(InstrumentRefused, match="204"):
        CannedPlayer(Bench()).run(procedure)
    assert taken == []


def test_a_tracking_analyzer_sweeps_again_and_again_with_its_own_output() -> None:
    class Tracker:
        def __init__(self) -> None:
            self.on = False
            self.level_dbm = 0.0

        def __call__(self, exchange: Exchange) -> str | None:
            message = exchange.message
            if message.startswith(":OUTP:TRAC O"):
                self.on = message.endswith("ON")
            if message.startswith(":SOUR:POW") and not message.endswith("?"):
                self.level_dbm = float(message.split()[1])
            if message.endswith("TRACE1"):
                return ",".join(f"{-30.0 if self.on else -95.0}" for _ in range(5))
            if "SWE:TIME?" in message:
                return "0.01"
            if message.endswith("*OPC?"):
                return "1"
            if message.startswith(":SOUR:POW") and message.endswith("?"):
                return f"{self.level_dbm}"
            return "0" if message.endswith("?") else None

    last, taken, sent = swept(Tracker(), lambda times: times < 2 + 4, TRACKER, method="tracking")
    assert len(taken) == 4
    assert last is taken[-1]
    assert float(taken[0].level_dbm[0]) == -30.0
    assert len([message for message in sent if message == ":OUTP:TRAC ON"]) == 1


def test_a_hold_sweep_cannot_be_repeated() -> None:
    with pytest.raises(InstrumentRefused, match="these can: stepped, tracking"):
        swept(Bench(), lambda times: True, method="hold", free_run_s=1.0)


def test_a_source_that_only_says_off_is_found_at_the_end_of_a_look() -> None:
    room = Room(radiates_off=True)
    last, _, _ = swept(room, lambda times: times < 2 + 21, points=21)
    for exchange in SOURCE.rf_off():
        room(exchange)
    with pytest.raises(StillRadiating):
        CannedPlayer(room).run(silent_after_all(plan(points=21), BOTH, last, LOWEST_DBM))
