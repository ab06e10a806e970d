"""Serial lines, over pseudo-terminals."""

from __future__ import annotations

import threading

import pytest

from drivers.errors import LinkLost, Stopped
from drivers.link import Link
from drivers.visa import SerialSettings
from tests.drivers.servers import IDENTITY, serial_line

LONG_S = 60.0
SHORT_S = 0.2
PAYLOAD = bytes(range(256)) * 4


def answers(line: str) -> bytes | str | None:
    return {"POW?": "-3.0\n", "TRAC?": b"#41024" + PAYLOAD + b"\n"}.get(line)


def test_text_and_blocks_of_any_byte_are_read_whole() -> None:
    settings = SerialSettings(baud_rate=115200)
    with (
        serial_line(answers) as end,
        Link.open("selector", end.address, serial=settings) as link,
    ):
        assert link.identity == IDENTITY
        for _ in range(2):
            assert link.query("POW?") == "-3.0"
            link.write("TRAC?", 1)
            assert link.read_block(block_bytes=1024) == PAYLOAD
        assert end.messages == ["*IDN?", "POW?", "TRAC?", "POW?", "TRAC?"]


def test_silence_is_a_lost_link_and_the_late_answer_is_skipped_after_reopening() -> None:
    with serial_line(answers) as end, Link.open("selector", end.address) as link:
        with pytest.raises(LinkLost, match="did not answer in time"):
            link.query("SLOW?", SHORT_S)
        # A line has no connection: what was late arrives in the new session.
        end.send(b"late answer of the old session\n")
        link.reopen()
        assert link.query("POW?") == "-3.0"


def test_half_a_late_block_is_skipped_after_reopening() -> None:
    with serial_line(answers) as end, Link.open("selector", end.address) as link:
        end.send(PAYLOAD[:700])
        link.reopen()
        assert link.query("POW?") == "-3.0"


def test_a_stop_is_obeyed_while_waiting() -> None:
    asked = 0

    def cancel() -> bool:
        nonlocal asked
        asked += 1
        return asked == 3

    with serial_line(answers) as end, Link.open("selector", end.address) as link:
        link.write("SLOW?", 1)
        with pytest.raises(Stopped):
            link.read_text(LONG_S, cancel)
        assert asked == 3


def test_an_unplugged_line_is_a_lost_link() -> None:
    with (
        serial_line(answers) as end,
        Link.open("selector", end.address, timeout_s=LONG_S) as link,
    ):
        link.write("SLOW?", 1)
        helper = threading.Thread(target=end.hang_up)
        helper.start()
        with pytest.raises(LinkLost, match="was lost"):
            link.read_text()
        helper.join()


def test_a_line_that_does_not_exist_is_named() -> None:
    with pytest.raises(LinkLost, match=r"cannot be (reached|opened) \(.*No such file"):
        Link.open("selector", "ASRL/dev/no-such-line::INSTR")
