"""Replies to values.

SCPI-1999 volume 1 (from memory): 9.91E37 is "not a number", 9.9E37 and -9.9E37 are infinities.
Oracle for binary traces: struct (IEEE 754), and pyvisa.util for whole blocks.
"""

from __future__ import annotations

import contextlib
import struct

import numpy as np
import pytest
import pyvisa.util
from hypothesis import given
from hypothesis import strategies as st
from numpy.testing import assert_array_equal

from drivers import parse
from drivers.errors import UnexpectedReply
from drivers.parse import InstrumentError

levels = st.lists(st.floats(-200.0, 30.0, width=32, allow_nan=False), min_size=1, max_size=20)


@pytest.mark.parametrize(
    ("reply", "value"),
    [("-23.4", -23.4), (" +1.7E+09 ", 1.7e9), ("0", 0.0), ("1E-3", 1e-3)],
)
def test_numbers(reply: str, value: float) -> None:
    assert parse.number(reply) == value


@pytest.mark.parametrize(
    ("reply", "complaint"),
    [
        ("", "expected a number, found ''"),
        ("ERROR", "expected a number, found 'ERROR'"),
        ("1,2", "expected a number, found '1,2'"),
        ("9.91E37", r"9.91e+37 (the mark for not a number)"),
        ("9.9E37", r"9.9e+37 (the mark for infinity: overload or no measurement)"),
        ("-9.9E37", r"-9.9e+37 (the mark for infinity: overload or no measurement)"),
        ("nan", "the mark for not a number"),
        ("inf", "the mark for not a number"),
        ("\x00\xff", r"'\x00ÿ'"),
    ],
)
def test_what_is_no_number_is_named(reply: str, complaint: str) -> None:
    with pytest.raises(UnexpectedReply) as caught:
        parse.number(reply)
    assert complaint in str(caught.value)


def test_single_precision_does_not_hide_the_special_numbers() -> None:
    for special in (9.91e37, 9.9e37, -9.9e37):
        with pytest.raises(UnexpectedReply, match="the mark for"):
            parse.number(repr(float(np.float32(special))))


def test_a_level_must_be_credible() -> None:
    assert parse.level_dbm("-80.5") == -80.5
    with pytest.raises(UnexpectedReply, match="expected a level in dBm, found '1E9'"):
        parse.level_dbm("1E9")


def test_whole_numbers_flags_and_readiness() -> None:
    assert parse.integer("+8.0E+0") == 8
    assert [parse.on_off(word) for word in ("1", "ON", "0", " off ")] == [True, True, False, False]
    assert parse.done("+1") is True
    assert parse.flags("1,0,ON", 3) == (True, False, True)
    for call, complaint in (
        (lambda: parse.integer("8.5"), "a whole number, found '8.5'"),
        (lambda: parse.on_off("2"), "0 or 1, found '2'"),
        (lambda: parse.done("0"), r"1 \(finished\), found '0'"),
        (lambda: parse.flags("1,0", 3), "3 values of 0 or 1, found 2 in '1,0'"),
        (lambda: parse.identity("  "), "an identity, found an empty line"),
    ):
        with pytest.raises(UnexpectedReply, match=complaint):
            call()


@pytest.mark.parametrize(
    ("reply", "entry"),
    [
        ('0,"No error"', InstrumentError(0, "No error")),
        ('+0,"No error"', InstrumentError(0, "No error")),
        (
            '-113,"Undefined header;FOO:BAR 1,2"',
            InstrumentError(-113, "Undefined header;FOO:BAR 1,2"),
        ),
        (
            '-222,"Data out of range; said ""6.1 GHz"""',
            InstrumentError(-222, 'Data out of range; said "6.1 GHz"'),
        ),
        ("-350", InstrumentError(-350, "")),
        (" 12 , own error", InstrumentError(12, "own error")),
    ],
)
def test_error_queue_entries(reply: str, entry: InstrumentError) -> None:
    assert parse.queue_entry(reply) == entry


@pytest.mark.parametrize(
    "reply",
    ["9" * 5000, "-" + "1" * 400_000, "1e" + "9" * 5000, "1_0", "1_000.5", "\xb2", "0x10", "1e1_0",
     "1 2", "1.2.3", "", "+", "e5", "1e99999"],
    ids=lambda reply: reply[:12] or "nothing",
)  # fmt: skip
def test_what_is_no_number_of_ten_digits_is_refused(reply: str) -> None:
    """By every reader of numbers, with words and without an error of Python's own."""
    for reader in (parse.number, parse.integer, parse.level_dbm):
        with pytest.raises(UnexpectedReply, match="expected a"):
            reader(reply)
    with pytest.raises(UnexpectedReply):
        parse.trace_parser(1, "ascii", "big")(reply)
    with pytest.raises(UnexpectedReply):
        parse.headed(parse.number, f"FREQ {reply}")


@pytest.mark.parametrize(
    ("reply", "value"), [("1.7 E +9", 1.7e9), (" +5.\r", 5.0), (".5", 0.5), ("-0", 0.0)]
)
def test_numbers_as_ieee_488_2_allows_them(reply: str, value: float) -> None:
    assert parse.number(reply) == value


@pytest.mark.parametrize("reply", ["nan", "INF", "-inf", "NINF", "infinity", "1e999"])
def test_words_for_no_number_are_named_as_such(reply: str) -> None:
    with pytest.raises(UnexpectedReply, match="the mark for"):
        parse.number(reply)


def test_an_endless_identity_or_error_text_is_cut_or_refused() -> None:
    with pytest.raises(UnexpectedReply, match="an identity of 500 characters at most, found 501"):
        parse.identity("x" * 501)
    with pytest.raises(UnexpectedReply, match="an identity of printable characters"):
        parse.identity("Workshop\x1b[2J")
    entry = parse.queue_entry('-113,"Undefined\x1b[2J header' + "x" * 100_000 + '"')
    assert entry.code == -113
    assert entry.text.startswith("Undefined\\x1b[2J header")
    assert len(entry.text) < 600
    with pytest.raises(UnexpectedReply):
        parse.queue_entry("9" * 5000 + ',"No error"')


@given(st.text(max_size=40))
def test_no_reply_raises_anything_but_unexpected_reply(reply: str) -> None:
    readers = (parse.number, parse.integer, parse.on_off, parse.identity, parse.queue_entry)
    for reader in (*readers, parse.trace_parser(1, "ascii", "big")):
        with contextlib.suppress(UnexpectedReply):
            reader(reply)  # type: ignore[operator]


def test_what_is_no_error_queue_entry_is_named() -> None:
    with pytest.raises(UnexpectedReply, match="an error queue entry"):
        parse.queue_entry("No error")


@pytest.mark.parametrize(
    ("reply", "value"),
    [
        ("FREQUENCY:CENTER 1.70000000000E+09 HZ", 1.7e9),
        (":POW -10.5 DBM", -10.5),
        ("TEMP 21.5", 21.5),
    ],
)
def test_headed_replies(reply: str, value: float) -> None:
    assert parse.headed(parse.number, reply) == value


def test_a_headed_reply_needs_its_header() -> None:
    assert parse.headed(parse.on_off, "OUTPUT ON") is True
    with pytest.raises(UnexpectedReply, match=r"a header and a value, found '-10\.5'"):
        parse.headed(parse.number, "-10.5")


@given(values=levels, order=st.sampled_from(["big", "little"]), size=st.sampled_from([32, 64]))
def test_binary_traces_agree_with_ieee_754(values: list[float], order: str, size: int) -> None:
    code = {"big": ">", "little": "<"}[order] + str(len(values)) + {32: "f", 64: "d"}[size]
    parser = parse.trace_parser(len(values), f"real{size}", order)  # type: ignore[arg-type]
    trace = parser(struct.pack(code, *values))
    assert trace.dtype == np.float64
    assert_array_equal(trace, np.array(values))


@given(values=levels)
def test_a_block_as_the_reference_writes_it_gives_the_same_trace(values: list[float]) -> None:
    block = bytes(pyvisa.util.to_ieee_block(values, "f", is_big_endian=True))
    payload = block[2 + int(block[1:2]) :]
    reference = pyvisa.util.from_ieee_block(block, "f", is_big_endian=True, container=np.array)
    assert_array_equal(parse.trace_parser(len(values), "real32", "big")(payload), reference)


@pytest.mark.parametrize(
    ("reply", "levels_dbm"),
    [
        ("-1.5E+01,-2,3.25e1", [-15.0, -2.0, 32.5]),
        (" -1.5 , -2 ,3\r", [-1.5, -2.0, 3.0]),
        ("-1.5,-2,3,", [-1.5, -2.0, 3.0]),
        ("+1.5,-2,+3", [1.5, -2.0, 3.0]),
        (".5,-.25,5.", [0.5, -0.25, 5.0]),
        ("007,-08,0", [7.0, -8.0, 0.0]),
    ],
)
def test_an_ascii_trace_is_read_however_its_numbers_are_written(
    reply: str, levels_dbm: list[float]
) -> None:
    assert parse.trace_parser(3, "ascii", "big")(reply).tolist() == levels_dbm


@pytest.mark.parametrize("reply", ["[1],2,3", "true,2,3", '"1",2,3', "1,,3", "1 2,3,4", "1-2,3,4"])
def test_what_json_takes_and_no_instrument_means_is_no_trace(reply: str) -> None:
    with pytest.raises(UnexpectedReply):
        parse.trace_parser(3, "ascii", "big")(reply)


@given(values=levels)
def test_ascii_traces(values: list[float]) -> None:
    parser = parse.trace_parser(len(values), "ascii", "big")
    assert_array_equal(parser(",".join(map(repr, values))), np.array(values))
    assert_array_equal(parser(" " + ", ".join(map(repr, values)) + ",\r"), np.array(values))


@pytest.mark.parametrize(
    ("kind", "reply", "complaint"),
    [
        ("ascii", "-1,-2", "expected 3 points, found 2 in '-1,-2'"),
        ("ascii", "-1,-2,-3,-4", "expected 3 points, found 4"),
        ("ascii", "-1,x,-3", "found 'x' at point 2"),
        ("ascii", "-1,-2,9.91E37", "9.91e+37 (the mark for not a number) at point 3 (1 of 3"),
        ("ascii", "-1,9.9E37,9.9E37", "infinity: overload or no measurement) at point 2"),
        ("real32", struct.pack(">2f", -1, -2), "3 points (12 bytes), found 8 bytes (2 points)"),
        ("real32", struct.pack(">4f", *[-1] * 4), "found 16 bytes (4 points)"),
        ("real32", struct.pack(">3f", -1, 9.91e37, -3), "the mark for not a number) at point 2"),
        ("real32", struct.pack(">3f", float("nan"), 0, 0), "not a number) at point 1"),
        ("real32", struct.pack("<3f", -80.1, -81.2, -82.3), "if all are, check the byte order"),
        ("real64", struct.pack(">3f", -1, -2, -3), "3 points (24 bytes), found 12 bytes (1.5"),
    ],
    ids=[
        "short", "long", "word", "nan", "infinity", "short-binary", "long-binary", "nan-binary",
        "ieee-nan", "byte-order", "wrong-size",
    ],
)  # fmt: skip
def test_traces_that_cannot_be_true_are_named(
    kind: str, reply: str | bytes, complaint: str
) -> None:
    with pytest.raises(UnexpectedReply) as caught:
        parse.trace_parser(3, kind, "big")(reply)  # type: ignore[arg-type]
    assert complaint in str(caught.value)
