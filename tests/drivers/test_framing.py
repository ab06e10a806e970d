"""Framing of replies: any reply, cut into any pieces, comes out as it went in.

Oracle for blocks: pyvisa.util, an independent implementation of IEEE 488.2 blocks.
"""

from __future__ import annotations

from dataclasses import dataclass

import pytest
import pyvisa.util
from hypothesis import given
from hypothesis import strategies as st

from drivers.errors import UnexpectedReply
from drivers.framing import ReplyBuffer, block_of_message, text_of_message

MOST = 1 << 20


@dataclass(frozen=True)
class Sent:
    """One reply on the wire, and what reading it must give."""

    wire: bytes
    value: str | bytes


texts = st.binary(max_size=40).map(lambda data: data.replace(b"\n", b"").rstrip(b"\r"))
lines = st.builds(
    lambda text, ending: Sent(text + ending, text.decode("latin-1")),
    texts,
    st.sampled_from([b"\n", b"\r\n"]),
)
blocks = st.builds(
    lambda payload, ending: Sent(
        bytes(pyvisa.util.to_ieee_block(payload, "B", False)) + ending, payload
    ),
    st.binary(max_size=60),
    st.sampled_from([b"\n", b"\r\n"]),
)


@given(replies=st.lists(st.one_of(lines, blocks), max_size=6), data=st.data())
def test_replies_come_out_as_they_went_in_however_the_bytes_arrive(
    replies: list[Sent], data: st.DataObject
) -> None:
    wire = b"".join(reply.wire for reply in replies)
    cuts = sorted(data.draw(st.lists(st.integers(0, len(wire)), max_size=8)))
    pieces = [wire[a:b] for a, b in zip([0, *cuts], [*cuts, len(wire)], strict=True)]
    buffer = ReplyBuffer(MOST)
    found: list[str | bytes] = []
    for piece in pieces:
        rest = piece
        while len(found) < len(replies):
            if isinstance(replies[len(found)].value, str):
                value: str | bytes | None = buffer.take_text_of(rest)
            else:
                buffer.feed(rest)
                value = buffer.take_block(None)
            rest = b""
            if value is None:
                break
            found.append(value)
        buffer.feed(rest)
    assert found == [reply.value for reply in replies]
    assert buffer.unclaimed() == b""


@given(payload=st.binary(min_size=1, max_size=50))
def test_a_block_without_final_newline_is_followed_by_the_next_reply(payload: bytes) -> None:
    buffer = ReplyBuffer(MOST)
    buffer.feed(bytes(pyvisa.util.to_ieee_block(payload, "B", False)))
    assert buffer.take_block(None) == payload
    buffer.feed(b"-3.0\n")
    assert buffer.take_text() == "-3.0"


def test_an_empty_line_after_a_line_is_a_reply_of_its_own() -> None:
    buffer = ReplyBuffer(MOST)
    buffer.feed(b"a\n\nb\n")
    assert [buffer.take_text() for _ in range(4)] == ["a", "", "b", None]


@pytest.mark.parametrize(
    ("wire", "complaint", "end_known"),
    [
        (b"-1.0,-2.0\n", "a data block starting with '#', found '-1.0,-2.0'", True),
        (b"#x12\n", "a digit after the '#'", False),
        (b"#3a2cabc", "3 digits giving the length", False),
        (b"#0abc\n", "definite length", False),
        (b"#9000002000", "at most 1000 bytes, found one announced with 2000 bytes", False),
    ],
    ids=["text", "no-digit", "letters-in-length", "indefinite", "too-long"],
)
def test_what_is_no_block_is_named(wire: bytes, complaint: str, end_known: bool) -> None:
    buffer = ReplyBuffer(1000)
    buffer.feed(wire)
    with pytest.raises(UnexpectedReply) as caught:
        buffer.take_block(None)
    assert complaint in str(caught.value)
    assert caught.value.end_known is end_known


def test_a_header_may_arrive_digit_by_digit() -> None:
    buffer = ReplyBuffer(MOST)
    for piece in (b"#", b"2", b"1", b"1", b"hello", b" world"):
        assert buffer.take_block(None) is None
        buffer.feed(piece)
    assert buffer.take_block(None) == b"hello world"


@given(payload=st.binary(max_size=80))
def test_a_whole_message_gives_the_same_block_as_the_reference(payload: bytes) -> None:
    message = bytes(pyvisa.util.to_ieee_block(payload, "B", False))
    expected = bytes(pyvisa.util.from_ieee_block(message, "B", container=bytearray))
    assert block_of_message(message + b"\n", None, MOST) == expected == payload
    assert block_of_message(message, len(payload), MOST) == payload


def test_a_message_of_indefinite_length_loses_only_its_own_newline() -> None:
    assert block_of_message(b"#0a\n\n", None, MOST) == b"a\n"
    with pytest.raises(UnexpectedReply, match="at most 2 bytes, found one announced with 3"):
        block_of_message(b"#0abc\n", 2, MOST)


def test_an_empty_message_is_no_block() -> None:
    with pytest.raises(UnexpectedReply, match="expected a data block, found an empty message"):
        block_of_message(b"", None, MOST)


def test_text_of_a_message_loses_its_terminator_only() -> None:
    assert text_of_message(b" a \r\n") == " a "
    assert text_of_message(b"\xff") == "ÿ"
