"""The simulated analyzer: timing, traces, max hold, status bits, damage."""

from __future__ import annotations

import struct
from collections.abc import Callable
from typing import Any

import numpy as np
import pytest
from pyvisa import util as visa_util

ZERO_SPAN = "FREQ:CENT 1.7E9;SPAN 0;:SWE:POIN 1;TIME 0.1;:BAND 1E4;:DET RMS"


def radiate(desk: Any, frequency: str = "1.7E9", level: str = "0") -> None:
    desk.ask("generator", f"FREQ {frequency};:POW {level};:OUTP ON;*OPC?")


class TestReadings:
    def test_a_zero_span_point_reads_the_level_that_arrives(self, desk: Any) -> None:
        radiate(desk)
        desk.ask("analyzer", ZERO_SPAN)
        desk.ask("analyzer", "INIT;*WAI")
        # 0 dBm through 20 dB; noise is 90 dB below, so only the scatter of 1000 samples is left.
        np.testing.assert_allclose(desk.trace(), [-20.0], atol=0.01)

    def test_the_sweep_takes_its_time(self, desk: Any) -> None:
        desk.ask("analyzer", ZERO_SPAN)
        begin_s = desk.time_s
        assert desk.ask("analyzer", "INIT;*OPC?") == "1"
        assert desk.time_s == pytest.approx(begin_s + 0.1)

    def test_beside_the_tone_only_noise_is_read(self, desk: Any) -> None:
        radiate(desk, frequency="1.8E9")
        desk.ask("analyzer", ZERO_SPAN)
        desk.ask("analyzer", "INIT;*WAI")
        floor_dbm = desk.bench.instruments["analyzer"]._receiver.noise_floor_dbm(1.7e9, 1e4, 10.0)
        # RMS of 1000 independent samples scatters by 4.34/sqrt(1000) = 0.14 dB.
        np.testing.assert_allclose(desk.trace(), [floor_dbm], atol=0.7)

    def test_a_trace_peaks_where_the_source_is(self, desk: Any) -> None:
        radiate(desk, frequency="1.72E9")
        desk.ask("analyzer", "FREQ:STAR 1.6E9;STOP 1.8E9;:SWE:POIN 201;:BAND 1E6;:INIT;*WAI")
        trace = desk.trace()
        assert int(np.argmax(trace)) == 120
        assert trace[120] == pytest.approx(-20.0, abs=0.2)

    def test_a_step_of_the_source_during_the_dwell_is_averaged_in(self, desk: Any) -> None:
        radiate(desk)
        desk.ask("analyzer", ZERO_SPAN)
        desk.ask("analyzer", "INIT")
        desk.time_s += 0.05
        desk.ask("generator", "OUTP OFF")
        desk.ask("analyzer", "*WAI")
        # Half the time the tone, half the time nothing: 3 dB less on an RMS detector, within
        # the coarseness of looking at sixteenths of the dwell.
        np.testing.assert_allclose(desk.trace(), [-23.0], atol=0.6)

    def test_harmonics_of_the_source_show_in_a_wide_trace(self, desk: Any) -> None:
        radiate(desk, frequency="1E9")
        desk.ask(
            "analyzer", "FREQ:STAR 1.9E9;STOP 2.1E9;:SWE:POIN 201;:BAND 1E6;:DET RMS;:INIT;*WAI"
        )
        trace = desk.trace()
        assert int(np.argmax(trace)) == 100
        assert trace[100] == pytest.approx(-55.0, abs=0.5)

    def test_outside_transmitters_are_received(self, desk: Any) -> None:
        desk.world.tones = [(1.7e9, -60.0)]
        desk.ask("analyzer", ZERO_SPAN)
        desk.ask("analyzer", "INIT;*WAI")
        np.testing.assert_allclose(desk.trace(), [-60.0], atol=0.05)

    def test_the_world_that_counts_is_the_one_during_the_sweep(self, desk: Any) -> None:
        radiate(desk)
        desk.ask("analyzer", ZERO_SPAN)
        desk.ask("analyzer", "INIT")
        desk.time_s += 0.2
        desk.bench.move(lambda: setattr(desk.world, "loss_db", 50.0))
        np.testing.assert_allclose(desk.trace(), [-20.0], atol=0.01)

    def test_attenuation_raises_the_noise_and_not_the_tone(self, desk: Any) -> None:
        radiate(desk)
        readings = []
        for attenuation in (0, 30):
            desk.ask("analyzer", ZERO_SPAN)
            desk.ask("analyzer", f"POW:ATT {attenuation};:INIT;*WAI")
            tone = desk.trace()[0]
            desk.ask("analyzer", "FREQ:CENT 2.2E9;:INIT;*WAI")
            readings.append((tone, desk.trace()[0]))
        (tone_low, noise_low), (tone_high, noise_high) = readings
        assert tone_high - tone_low == pytest.approx(0.0, abs=0.1)
        assert noise_high - noise_low == pytest.approx(30.0, abs=1.2)


class TestTraces:
    def sweep(self, desk: Any, points: int = 11) -> list[float]:
        radiate(desk)
        desk.ask("analyzer", f"FREQ:CENT 1.7E9;SPAN 1E8;:SWE:POIN {points};:INIT;*WAI")
        return desk.trace()

    @pytest.mark.parametrize("bits", [32, 64])
    @pytest.mark.parametrize("border", ["NORM", "SWAP"])
    def test_blocks_hold_the_same_numbers_as_the_text(
        self, desk: Any, bits: int, border: str
    ) -> None:
        text = self.sweep(desk)
        block = desk.ask("analyzer", f"FORM REAL,{bits};:FORM:BORD {border};:TRAC:DATA? TRACE1")
        values = visa_util.from_ieee_block(
            block.encode("latin-1"),
            datatype="f" if bits == 32 else "d",
            is_big_endian=border == "NORM",
        )
        # The text has seven digits.
        np.testing.assert_allclose(values, text, rtol=1e-6)
        assert desk.ask("analyzer", "FORM?;:FORM:BORD?") == f"REAL,{bits};{border}"

    @pytest.mark.parametrize("points", [1, 2, 1001, 10001])
    def test_a_trace_has_as_many_points_as_asked_for(self, desk: Any, points: int) -> None:
        assert len(self.sweep(desk, points)) == points

    def test_a_hundred_thousand_points_come_in_one_block(
        self, make_desk: Callable[..., Any]
    ) -> None:
        desk = make_desk()
        limits = desk.world.model.instruments[1].limits.model_copy(update={"points_max": 100001})
        desk = make_desk(analyzer={"limits": limits})
        desk.ask("analyzer", "FREQ:CENT 1.7E9;SPAN 1E8;:SWE:POIN 100001;:FORM REAL,32;:INIT;*WAI")
        block = desk.ask("analyzer", "TRAC?").encode("latin-1")
        assert block[:8] == b"#6400004"
        assert len(block) == 8 + 400004
        assert np.isfinite(struct.unpack(">100001f", block[8:])).all()

    def test_a_trace_is_stale_until_the_sweep_after_a_change_is_finished(self, desk: Any) -> None:
        self.sweep(desk)
        assert desk.ask("analyzer", "BAND 1E5;:TRAC?") == ""
        assert desk.errors("analyzer") == [
            '-230,"Data corrupt or stale;no sweep was finished since the settings were changed"'
        ]

    def test_a_second_start_during_a_sweep_is_ignored_with_its_error(self, desk: Any) -> None:
        desk.ask("analyzer", ZERO_SPAN)
        desk.ask("analyzer", "INIT;INIT")
        assert desk.errors("analyzer") == ['-213,"Init ignored;a sweep is running"']

    def test_abort_ends_the_sweep_and_leaves_no_trace(self, desk: Any) -> None:
        desk.ask("analyzer", ZERO_SPAN)
        begin_s = desk.time_s
        assert desk.ask("analyzer", "INIT;:ABOR;*OPC?;:TRAC?") == "1"
        assert desk.time_s == begin_s
        assert desk.errors("analyzer")[0].startswith("-230,")

    def test_a_real_format_of_another_length_is_refused(self, desk: Any) -> None:
        desk.ask("analyzer", "FORM REAL,16")
        assert desk.errors("analyzer") == [
            '-224,"Illegal parameter value;REAL is 32 or 64 bits long"'
        ]


class TestSettings:
    def test_centre_and_span_move_start_and_stop(self, desk: Any) -> None:
        reply = desk.ask("analyzer", "FREQ:CENT 1.7E9;SPAN 2E8;STAR?;STOP?")
        assert [float(part) for part in reply.split(";")] == [1.6e9, 1.8e9]

    def test_start_and_stop_move_centre_and_span(self, desk: Any) -> None:
        reply = desk.ask("analyzer", "FREQ:STAR 1.6E9;STOP 1.8E9;CENT?;SPAN?")
        assert [float(part) for part in reply.split(";")] == [1.7e9, 2e8]

    def test_a_span_that_does_not_fit_is_refused(self, desk: Any) -> None:
        desk.ask("analyzer", "FREQ:CENT 1E9;SPAN 3E9")
        assert desk.errors("analyzer")[0].startswith('-222,"Data out of range;a span of 3e+09')

    def test_the_sweep_time_follows_span_and_bandwidth_until_it_is_set(self, desk: Any) -> None:
        desk.ask("analyzer", "FREQ:CENT 1.7E9;SPAN 1E8;:BAND 1E5;:SWE:POIN 101;:INIT;*WAI")
        # k span / RBW^2 with k = 2.5: 25 ms.
        assert float(desk.ask("analyzer", "SWE:TIME?")) == pytest.approx(0.025)
        assert desk.ask("analyzer", "SWE:TIME 0.01;TIME:AUTO?") == "0"

    def test_sweeping_too_fast_raises_the_uncalibrated_bit_and_loses_level(self, desk: Any) -> None:
        radiate(desk)
        desk.ask("analyzer", "FREQ:CENT 1.7E9;SPAN 1E8;:BAND 1E5;:SWE:POIN 1001;:INIT;*WAI")
        slow_dbm = max(desk.trace())
        assert desk.ask("analyzer", "STAT:QUES:COND?") == "0"
        desk.ask("analyzer", "SWE:TIME 0.001;:INIT;*WAI")
        assert desk.ask("analyzer", "STAT:QUES:COND?;EVEN?;EVEN?") == "256;256;0"
        assert max(desk.trace()) < slow_dbm - 3.0


class TestMaxHold:
    def test_hold_fills_only_the_bins_that_a_free_running_source_visited(self, desk: Any) -> None:
        desk.ask(
            "generator",
            "FREQ:STAR 1.6E9;STOP 1.8E9;MODE SWE;:SWE:POIN 101;DWEL 0.05;:POW 0;:OUTP ON;"
            ":INIT:CONT ON",
        )
        desk.ask(
            "analyzer",
            "FREQ:STAR 1.6E9;STOP 1.8E9;:SWE:POIN 101;TIME 0.02;:BAND 3E5;:DET POS;"
            ":TRAC:MODE MAXH;:INIT:CONT ON",
        )
        desk.time_s += 2.5  # half a pass of the source
        desk.ask("analyzer", "INIT:CONT OFF;*WAI")
        trace = np.array(desk.trace())
        visited = trace > -40.0
        assert visited[:48].all()
        assert not visited[52:].any()
        np.testing.assert_allclose(trace[:48], -20.0, atol=0.3)

    def test_after_a_whole_pass_no_bin_is_left(self, desk: Any) -> None:
        desk.ask(
            "generator",
            "FREQ:STAR 1.6E9;STOP 1.8E9;MODE SWE;:SWE:POIN 101;DWEL 0.05;:POW 0;:OUTP ON;"
            ":INIT:CONT ON",
        )
        desk.ask(
            "analyzer",
            "FREQ:STAR 1.6E9;STOP 1.8E9;:SWE:POIN 101;TIME 0.02;:BAND 3E5;:DET POS;"
            ":TRAC:MODE MAXH;:INIT:CONT ON",
        )
        desk.time_s += 5.2
        desk.ask("analyzer", "INIT:CONT OFF;*WAI")
        np.testing.assert_allclose(desk.trace(), -20.0, atol=0.3)

    def test_single_sweeps_accumulate_and_a_new_mode_starts_over(self, desk: Any) -> None:
        radiate(desk)
        desk.ask("analyzer", ZERO_SPAN)
        desk.ask("analyzer", "TRAC:MODE MAXH;:INIT;*WAI")
        desk.ask("generator", "POW -30;*OPC?")
        desk.ask("analyzer", "INIT;*WAI")
        np.testing.assert_allclose(desk.trace(), [-20.0], atol=0.05)
        desk.ask("analyzer", "TRAC:MODE WRIT;:INIT;*WAI")
        np.testing.assert_allclose(desk.trace(), [-50.0], atol=0.05)

    def test_a_clock_that_jumped_far_ahead_is_caught_up_in_bounded_work(self, desk: Any) -> None:
        desk.ask("analyzer", ZERO_SPAN)
        desk.ask("analyzer", "SWE:TIME 0.001;:INIT:CONT ON")
        desk.time_s += 86400.0
        assert len(desk.trace()) == 1
        assert desk.bench.instruments["analyzer"].sweeps <= 2002


class TestTracking:
    def test_the_tracking_output_follows_the_sweep(self, desk: Any) -> None:
        desk.ask(
            "analyzer",
            "FREQ:STAR 1.6E9;STOP 1.8E9;:SWE:POIN 51;:BAND 1E5;:DET RMS;"
            ":SOUR:POW:TRAC -10;:OUTP:TRAC ON;:INIT;*WAI",
        )
        np.testing.assert_allclose(desk.trace(), -30.0, atol=0.3)
        assert desk.bench.rf_is_on()
        desk.ask("analyzer", "*RST")
        assert not desk.bench.rf_is_on()
        history = desk.bench.state()["instruments"]["analyzer"]["rf_history"]
        assert [entry[1] for entry in history] == [False, True, False]


class TestOverload:
    def test_too_much_at_the_mixer_raises_the_overload_bit_until_it_is_gone(
        self, desk: Any
    ) -> None:
        desk.world.loss_db = 0.0
        desk.ask("analyzer", "POW:ATT 0")
        radiate(desk, level="0")
        assert desk.ask("analyzer", "STAT:QUES:COND?") == "8"
        desk.ask("analyzer", "POW:ATT 20")
        assert desk.ask("analyzer", "STAT:QUES:COND?;EVEN?;EVEN?") == "0;8;0"
        desk.ask("analyzer", "POW:ATT 0")
        desk.ask("generator", "OUTP OFF")
        assert desk.ask("analyzer", "STAT:QUES:COND?") == "0"
        state = desk.bench.state()["instruments"]["analyzer"]
        assert (state["overloads"], state["damage"]) == (2, 0)

    def test_an_overdriven_mixer_reads_low(self, desk: Any) -> None:
        desk.world.loss_db = 0.0
        radiate(desk, level="0")
        desk.ask("analyzer", ZERO_SPAN)
        desk.ask("analyzer", "POW:ATT 0;:INIT;*WAI")
        # 1 dB compression at 0 dBm behind the attenuator.
        np.testing.assert_allclose(desk.trace(), [-1.0], atol=0.05)

    def test_damage_is_counted_as_soon_as_it_arrives_even_without_a_sweep(self, desk: Any) -> None:
        desk.world.loss_db = -10.0  # an amplifier somebody left in the path
        radiate(desk, level="9")
        assert desk.bench.state()["instruments"]["analyzer"]["damage"] == 0
        desk.ask("generator", "POW 11")
        desk.bench.move(lambda: None)
        state = desk.bench.state()["instruments"]["analyzer"]
        assert (state["damage"], state["highest_input_dbm"]) == (2, pytest.approx(21.0))

    def test_a_free_running_sweep_is_judged_by_its_strongest_step(self, desk: Any) -> None:
        desk.world.loss_db = -10.0
        desk.ask("generator", "FREQ:MODE SWE;:POW 12;:OUTP ON;:INIT:CONT ON")
        assert desk.bench.state()["instruments"]["analyzer"]["damage"] >= 1
