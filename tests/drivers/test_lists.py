"""Lists: what the drivers say, in standard words and in those of a made-up make."""

from __future__ import annotations

import struct

import numpy as np
import pytest

from drivers.analyzer import ScpiAnalyzer
from drivers.errors import BadReply, BadSetting, BadTemplate
from drivers.exchange import Batch, Reply
from drivers.lists import ListStepping
from drivers.source import ScpiSource
from tests.drivers.dialects import (
    TERSE_ANALYZER,
    TERSE_ANALYZER_OPTIONS,
    TERSE_LIST_REPLIES,
    TERSE_SOURCE,
)

WORDS = {"list": True}


def said(*batches: Batch) -> list[str]:
    return [exchange.message for batch in batches for exchange in batch]


def test_a_source_is_led_through_a_list_in_standard_words() -> None:
    source = ScpiSource("generator", {}, WORDS)
    assert said(
        (source.list_load([1.7e9, 1_700_000_001.0]), source.list_points()),
        source.list_set(0.003, "cable"),
        source.list_start(),
        (source.list_next(), source.list_running(), source.list_place()),
        source.list_abort(),
        source.list_leave(),
    ) == [
        ":SOUR:LIST:FREQ 1700000000,1700000001",
        ":SOUR:LIST:FREQ:POIN?",
        ":SOUR:LIST:DWEL 0.003",
        ":TRIG:SEQ:SOUR EXT",
        ":SOUR:FREQ:MODE LIST",
        ":INIT:IMM",
        ":TRIG:SEQ:IMM;*OPC?",
        ":STAT:OPER:COND?",
        ":SOUR:LIST:POIN:CURR?",
        ":ABOR",
        ":ABOR",
        ":TRIG:SEQ:SOUR IMM",
        ":SOUR:FREQ:MODE CW",
    ]


def test_an_analyzer_is_led_through_a_list_and_sends_its_readings_as_one_trace() -> None:
    analyzer = ScpiAnalyzer("analyzer", {}, WORDS)
    assert said(analyzer.list_set(0.001, "itself", 0.0031), analyzer.list_leave()) == [
        ":FORM:TRAC:DATA REAL,32",
        ":FORM:BORD NORM",
        ":SENS:LIST:DWEL 0.001",
        ":TRIG:SEQ:SOUR IMM",
        ":TRIG:SEQ:DEL 0.0031",
        ":SENS:FREQ:MODE LIST",
        ":ABOR",
        ":TRIG:SEQ:SOUR IMM",
        ":TRIG:SEQ:DEL 0",
        ":SENS:FREQ:MODE SWE",
        ":FORM:TRAC:DATA ASC",
    ]
    fetch = analyzer.list_fetch(2)
    assert (fetch.message, fetch.reply, fetch.block_bytes) == (
        ":TRAC:DATA? TRACE1",
        Reply.BLOCK,
        8,
    )
    np.testing.assert_array_equal(fetch.value(struct.pack(">2f", -30.5, -31.25)), [-30.5, -31.25])
    with pytest.raises(BadReply, match="expected 2 points"):
        fetch.value(struct.pack(">f", -30.5))


@pytest.mark.parametrize("driver", [ScpiSource, ScpiAnalyzer])
def test_a_list_runs_while_it_sweeps_or_waits_for_a_trigger(driver: type[ListStepping]) -> None:
    """Bits 3 and 5 of the operation status register (SCPI-1999 volume 1; from memory)."""
    running = driver("it", {}, WORDS).list_running()
    assert [running.value(str(bits)) for bits in (0, 8, 32, 40, 16, 4 + 128)] == [
        False, True, True, True, False, False
    ]  # fmt: skip


def test_every_step_of_a_list_is_checked_and_an_endless_number_refused() -> None:
    source = ScpiSource("generator", {}, WORDS)
    with pytest.raises(BadSetting, match="finite"):
        source.list_load([1.7e9, float("nan")])


def test_after_a_reset_no_list_runs_but_only_an_instrument_with_lists_is_told() -> None:
    for driver in (ScpiSource, ScpiAnalyzer):
        plain, with_lists = driver("it").reset_state(), driver("it", {}, WORDS).reset_state()
        assert said(with_lists) == [":ABOR", *said(plain)]


def test_another_makes_spelling_stands_in_the_bench_file() -> None:
    source = ScpiSource(
        "generator",
        TERSE_SOURCE | {"list_frequencies": ":WALK:MHZ {frequencies_mhz:.3f}"},
        {"list": True, "replies": TERSE_LIST_REPLIES},
    )
    assert said((source.list_load([1.7e9, 1.6995e9]),), source.list_set(0.0021, "itself")) == [
        ":WALK:MHZ 1700.000,1699.500",
        ":WALK:TIME 2.1000MS",
        ":WALK:BY CLOCK",
        ":CARR:KIND WALK",
    ]
    assert [source.list_running().value(word) for word in ("WAITS", "steps", "RESTS")] == [
        True, True, False
    ]  # fmt: skip
    analyzer = ScpiAnalyzer("analyzer", TERSE_ANALYZER, TERSE_ANALYZER_OPTIONS | WORDS)
    assert said(analyzer.list_set(0.001, "itself", 0.0005))[-3:] == [
        ":WALK:BY CLOCK",
        ":WALK:LATE 500.00US",
        ":TUNE:KIND WALK",
    ]
    assert analyzer.list_fetch(2).reply is Reply.TEXT


@pytest.mark.parametrize(
    ("wording", "fault"),
    [
        (":LIST:FREQ 1,2,3", "has no place for frequencies_hz"),
        (":LIST:FREQ {frequencies_mhz:.1f}", "loses what matters"),
        (":LIST:FREQ {frequencies_hz:.0f};:OUTP ON", "joins several commands"),
    ],
)
def test_a_wording_that_loads_another_list_is_refused(wording: str, fault: str) -> None:
    with pytest.raises(BadTemplate, match=fault):
        ScpiSource("generator", {"list_frequencies": wording})
