"""Procedures against canned instruments: what is sent, in what order, and what comes back."""

from __future__ import annotations

import numpy as np
import pytest

from benchd.acquire import (
    SweepInstruments,
    confirmed,
    grid_hz,
    rf_off_verified,
    run_sweep,
)
from benchd.acquire.stepped import refined_grid_hz
from benchd.errors import InstrumentRefused
from benchd.sweeps import Refine, SweepPlan
from drivers.analyzer import ScpiAnalyzer
from drivers.errors import Refused
from drivers.exchange import Exchange
from drivers.player import CannedPlayer
from drivers.source import ScpiSource

SOURCE = ScpiSource("generator")
ANALYZER = ScpiAnalyzer("analyzer", options={"trace_format": "ascii"})
BOTH = SweepInstruments(analyzer=ANALYZER, source=SOURCE)


def plan(**changes: object) -> SweepPlan:
    settings: dict[str, object] = {
        "method": "stepped",
        "start_hz": 1.6e9,
        "stop_hz": 1.8e9,
        "points": 5,
        "level_dbm": -10.0,
        "resolution_bandwidth_hz": 10e3,
    }
    return SweepPlan.model_validate(settings | changes)


class Bench:
    """Two canned instruments: a dip of 20 dB at 1.7 GHz seen only while RF is on."""

    def __init__(self) -> None:
        self.rf = False
        self.frequency_hz = 0.0
        self.source_dbm = -30.0
        self.rf_at_each_reading: list[bool] = []

    def level_dbm(self) -> float:
        if not self.rf:
            return -100.0
        return -30.0 - 20.0 / (1.0 + ((self.frequency_hz - 1.7e9) / 20e6) ** 2)

    def __call__(self, exchange: Exchange) -> str | None:
        message = exchange.message
        if message.startswith(":OUTP:STAT O"):
            self.rf = message.endswith("ON")
        if message.startswith(":SOUR:FREQ:CW "):
            self.frequency_hz = float(message.split()[1].split(";")[0])
        if message.startswith(":SOUR:POW:LEV:IMM:AMPL "):
            self.source_dbm = float(message.split()[1])
        if message.endswith("*OPC?"):
            return "1"
        if message.endswith(":TRAC:DATA? TRACE1"):
            self.rf_at_each_reading.append(self.rf)
            return f"{self.level_dbm():.6f}"
        if message == ":SOUR:FREQ:CW?":
            return f"{self.frequency_hz:.0f}"
        if message == ":SOUR:POW:LEV:IMM:AMPL?":
            return f"{self.source_dbm:.2f}"
        if message == ":OUTP:STAT?":
            return "1" if self.rf else "0"
        if message == ":STAT:QUES:EVEN?":
            return "0"
        return None


def test_a_stepped_sweep_reads_every_point_of_its_grid_with_rf_on_and_noise_with_rf_off() -> None:
    bench = Bench()
    player = CannedPlayer(bench)
    sweep = player.run(run_sweep(plan(), BOTH))
    expected_hz = np.array([1.6e9, 1.65e9, 1.7e9, 1.75e9, 1.8e9])
    np.testing.assert_array_equal(sweep.frequency_hz, expected_hz)
    offsets = (expected_hz - 1.7e9) / 20e6
    np.testing.assert_allclose(sweep.level_dbm, -30.0 - 20.0 / (1.0 + offsets**2), atol=1e-5)
    np.testing.assert_allclose(sweep.noise_dbm, np.full(5, -100.0), atol=1e-6)
    assert bench.rf_at_each_reading == [False] * 20 + [True] * (5 + 1)
    assert sweep.flags == ()


def test_source_and_analyzer_are_retuned_in_one_batch_so_that_they_settle_together() -> None:
    batches: list[tuple[str, ...]] = []

    class Watching(CannedPlayer):
        def perform(self, batch: tuple[Exchange, ...]) -> list[object]:
            batches.append(tuple(exchange.instrument for exchange in batch))
            return super().perform(batch)

    Watching(Bench()).run(run_sweep(plan(), BOTH))
    # Once at each point, at each frequency at which the noise is read, and at the highest again.
    assert batches.count(("analyzer", "generator")) == 5 + 5 + 1


def test_averages_are_means_of_power_not_of_decibels() -> None:
    readings = iter([*[-100.0] * 20, *[-30.0, -40.0] * (5 + 1)])
    bench = Bench()

    def answer(exchange: Exchange) -> str | None:
        reply = bench(exchange)
        return str(next(readings)) if exchange.message.endswith("TRACE1") else reply

    sweep = CannedPlayer(answer).run(run_sweep(plan(average=2), BOTH))
    # (1e-3 + 1e-4)/2 mW is -32.596 dBm; the mean of the decibels would be -35.
    np.testing.assert_allclose(sweep.level_dbm, np.full(5, -32.5964), atol=1e-4)
    np.testing.assert_allclose(sweep.scatter_db, np.full(5, np.std([0.0, 10.0], ddof=1)))


def test_a_refined_sweep_adds_points_only_around_the_dip_and_keeps_frequencies_rising() -> None:
    refine = Refine(around="resonance", span_hz=20e6, points=5)
    sweep = CannedPlayer(Bench()).run(run_sweep(plan(points=11, refine=refine), BOTH))
    added = np.setdiff1d(sweep.frequency_hz, grid_hz(plan(points=11)))
    np.testing.assert_array_equal(added, [1.69e9, 1.695e9, 1.705e9, 1.71e9])
    assert np.all(np.diff(sweep.frequency_hz) > 0)
    assert float(sweep.frequency_hz[np.argmin(sweep.level_dbm)]) == 1.7e9


def test_refinement_stays_inside_the_sweep_when_the_dip_is_at_its_edge() -> None:
    grid = np.linspace(1.0e9, 1.1e9, 11)
    fine = refined_grid_hz(grid, np.linspace(-40.0, -30.0, 11), 40e6, 9)
    assert fine.min() > 1.0e9
    assert fine.max() <= 1.02e9


def test_a_status_of_overload_becomes_a_flag() -> None:
    bench = Bench()

    def answer(exchange: Exchange) -> str | None:
        return "8" if exchange.message == ":STAT:QUES:EVEN?" else bench(exchange)

    assert CannedPlayer(answer).run(run_sweep(plan(), BOTH)).flags == ("overload",)


def _trace(values: np.ndarray) -> str:
    return ",".join(f"{value:.3f}" for value in values)


def test_a_hold_sweep_reports_the_bins_that_the_source_was_never_seen_in() -> None:
    noise = np.full(11, -95.0)
    held = np.where(np.arange(11) == 4, -94.0, -30.0)
    traces, bench = iter([_trace(noise), _trace(held)]), Bench()

    def answer(exchange: Exchange) -> str | None:
        if exchange.message == ":TRAC:DATA? TRACE1":
            return next(traces)
        return bench(exchange)

    player = CannedPlayer(answer)
    sweep = player.run(run_sweep(plan(method="hold", points=11, free_run_s=5.0), BOTH))
    assert sweep.flags == ("bins-not-visited",)
    np.testing.assert_array_equal(sweep.visited, np.arange(11) != 4)
    assert player.waited_s == pytest.approx(5.5)
    order = [m for m in player.messages("generator") if "OUTP" in m or "INIT" in m]
    assert order == [
        ":SOUR:FREQ:MODE SWE;:INIT:CONT ON",
        ":OUTP:STAT ON",
        ":INIT:CONT OFF;:SOUR:FREQ:MODE CW",
    ]


def test_a_tracking_sweep_uses_the_analyzer_alone_and_switches_its_output_off() -> None:
    traces = iter([_trace(np.full(5, -90.0)), _trace(np.full(5, -20.0))])

    def answer(exchange: Exchange) -> str | None:
        if exchange.message == ":SENS:SWE:TIME?":
            return "0.2"
        if exchange.message == ":SOUR:POW:TRAC?":
            return "-10"
        return next(traces) if exchange.message == ":TRAC:DATA? TRACE1" else Bench()(exchange)

    player = CannedPlayer(answer)
    sweep = player.run(run_sweep(plan(method="tracking"), SweepInstruments(analyzer=ANALYZER)))
    np.testing.assert_allclose(sweep.level_dbm, np.full(5, -20.0))
    np.testing.assert_allclose(sweep.noise_dbm, np.full(5, -90.0))
    assert [m for m in player.messages("analyzer") if "OUTP:TRAC" in m] == [
        ":OUTP:TRAC ON",
        ":OUTP:TRAC OFF",
    ]
    assert player.messages("generator") == []


def test_rf_off_is_not_believed_until_the_source_says_so() -> None:
    def stuck(exchange: Exchange) -> str | None:
        return "1" if exchange.message == ":OUTP:STAT?" else None

    with pytest.raises(InstrumentRefused, match=r"RF output is still on .*: generator"):
        CannedPlayer(stuck).run(rf_off_verified([SOURCE]))


def test_a_refused_setting_is_reported_with_its_own_command() -> None:
    bench = Bench()
    last = [""]

    def answer(exchange: Exchange) -> str | None:
        if exchange.message == ":SYST:ERR?":
            bad = last[0].startswith(":SENS:BAND:RES")
            return '-222,"Data out of range"' if bad else '0,"No error"'
        last[0] = exchange.message
        return bench(exchange)

    drivers = {"generator": SOURCE, "analyzer": ANALYZER}
    player = CannedPlayer(answer)
    with pytest.raises(Refused, match=r"(?s)-222.*:SENS:BAND:RES 10000"):
        player.run(confirmed(run_sweep(plan(), BOTH), drivers))
    assert not any(":OUTP:STAT ON" in m for m in player.messages("generator"))
