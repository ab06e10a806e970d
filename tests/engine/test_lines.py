"""Settings of a line in the bench file reach the line: over pseudo-terminals and real sockets."""

from __future__ import annotations

import termios
import time
from pathlib import Path
from typing import Any

import pytest

from benchd.bench import Bench, parse_bench
from benchd.engine.rig import Rig
from benchd.engine.source_record import known_sources, made_drivers
from benchd.errors import BenchFileError, LinkLost
from benchd.rfoff.record import new_record, records_in
from benchd.rfoff.sending import switch_off
from tests.drivers.servers import IDENTITY, Peer, SerialEnd, Server, serial_line, serving
from tests.patience import PATIENCE_S

BENCH = """
bench: lines
title: One source at the end of a line
instruments:
  generator:
    kind: source
    driver: scpi-source
    address: {address}
    frequency: [10 MHz, 6 GHz]
    level: [-60 dBm, 15 dBm]
    {more}
routes: {{}}
"""


def bench(address: str, more: str) -> Bench:
    return parse_bench(BENCH.format(address=address, more=more), file="lines.yaml")


def speaks(ending: str) -> Any:
    """A source that is off, at the far end."""
    replies = {":OUTP:STAT?": "0", "*OPC?": "1", ":SYST:ERR?": '0,"No error"'}
    return lambda line: replies[line] + ending if line in replies else None


@pytest.mark.parametrize(("word", "ending"), [("lf", "\n"), ("cr", "\r"), ("cr-lf", "\r\n")])
def test_a_terminator_ends_every_message_and_rf_off_goes_the_same_way(
    word: str, ending: str
) -> None:
    with serial_line(speaks(ending), ending=ending.encode()) as end:
        rig = Rig(bench(end.address, f"terminator: {word}"))
        rig.rf_off()
        assert rig.rf_not_verified() == []
        rig.close()
        assert end.messages[:3] == ["", ":OUTP:STAT OFF", "*IDN?"]
        heard = len(end.messages)
        known = known_sources(rig.bench, rig.drivers)
        (outcome,) = switch_off(known, patience_s=PATIENCE_S)
        assert str(outcome).endswith("off, verified")
        # The rig's last words may still have been on their way.
        began = end.messages.index("", heard)
        assert end.messages[began + 1] == ":OUTP:STAT OFF"


def test_replies_that_end_otherwise_than_the_messages_are_read() -> None:
    """An instrument that takes CR and answers with CR and LF."""
    with serial_line(speaks("\r\n"), ending=b"\r") as end:
        rig = Rig(bench(end.address, "terminator: cr"))
        for _ in range(3):
            rig.rf_off()
        rig.close()
        assert end.messages.count("*IDN?") == 1


def test_several_messages_in_one_write_end_as_each_alone() -> None:
    with serial_line(speaks("\r"), ending=b"\r") as end:
        rig = Rig(bench(end.address, "terminator: cr"))
        rig.connect()
        rig.close()
        assert "*RST" in end.messages
        assert "*CLS" in end.messages


def test_a_terminator_holds_on_a_raw_socket() -> None:
    def handle(server: Server, peer: Peer) -> None:
        data = b""
        while chunk := peer.connection.recv(4096):
            data += chunk
            while b"\r" in data:
                line, _, data = data.partition(b"\r")
                server.messages.append(line.decode())
                reply = IDENTITY if line == b"*IDN?" else speaks("")(line.decode())
                if reply is not None:
                    peer.send(reply + "\r")

    with serving(handle) as server:
        rig = Rig(bench(server.address, "terminator: cr"))
        rig.rf_off()
        rig.close()
        assert server.messages[0] == ":OUTP:STAT OFF"


@pytest.mark.parametrize(
    ("settings", "speed", "flags"),
    [
        ("serial: {baud: 19200}", termios.B19200, 0),
        ("serial: {baud: 115200, stop_bits: 2}", termios.B115200, termios.CSTOPB),
        ("timeout: 5 s", termios.B9600, 0),
    ],
)
def test_speed_and_stop_bits_reach_the_line_and_rf_off_uses_them(
    settings: str, speed: int, flags: int
) -> None:
    with serial_line(speaks("\n")) as end:
        rig = Rig(bench(end.address, settings))
        rig.rf_off()
        assert _line(end) == (flags, speed)
        rig.close()
        # Another program leaves the line otherwise.
        end.disturb(termios.B300)
        (outcome,) = switch_off(known_sources(rig.bench, rig.drivers), patience_s=PATIENCE_S)
        assert outcome.state == "verified"
        assert _line(end) == (flags, speed)


def _line(end: SerialEnd) -> tuple[int, int]:
    control, speed = end.settings()
    return control & termios.CSTOPB, speed


def test_parity_data_bits_and_flow_control_are_asked_of_the_line(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    """A pseudo-terminal has no parity of its own, so what is asked of it is looked at."""
    asked: list[tuple[int, int]] = []
    own = termios.tcsetattr

    def note(descriptor: int, when: int, settings: Any) -> None:
        asked.append((settings[0], settings[2]))
        framing = termios.PARENB | termios.PARODD | termios.CSIZE
        plain = [*settings[:2], settings[2] & ~framing | termios.CS8, *settings[3:]]
        own(descriptor, when, plain)

    monkeypatch.setattr(termios, "tcsetattr", note)
    text = "serial: {data_bits: 7, parity: odd, flow_control: xon-xoff}"
    with serial_line(speaks("\n")) as end:
        rig = Rig(bench(end.address, text))
        rig.rf_off()
        rig.close()
        by_the_rig = asked[-1]
        switch_off(known_sources(rig.bench, rig.drivers), patience_s=PATIENCE_S)
    for inputs, control in (by_the_rig, asked[-1]):
        wanted = termios.PARENB | termios.PARODD
        assert control & (termios.PARENB | termios.PARODD) == wanted
        assert control & termios.CSIZE == termios.CS7
        assert inputs & termios.IXON


def test_the_record_that_a_killed_daemon_leaves_keeps_the_lines_settings(tmp_path: Path) -> None:
    text = "terminator: cr\n    serial: {baud: 38400, parity: even}"
    one = bench("ASRL/dev/ttyS9::INSTR", text)
    (known,) = known_sources(one, made_drivers(one))
    assert new_record("lines", tmp_path / "b.yaml", tmp_path, [known]).keep() == []
    (record,) = records_in([tmp_path])
    (read,) = record.sources
    assert (read.terminator, read.serial) == (known.terminator, known.serial)
    assert read.terminator == "\r"
    assert (read.serial["baud_rate"], read.serial["parity"]) == (38400, "even")


def test_a_connection_is_waited_for_as_long_as_the_bench_file_says() -> None:
    """The server takes the connection and never says that it has begun."""
    with serving(lambda server, peer: peer.wait()) as server:
        address = f"TCPIP::127.0.0.1::hislip0,{server.port}::INSTR"
        for given_s in (0.2, 6.0):
            rig = Rig(bench(address, f"connect_timeout: {given_s} s"))
            began = time.monotonic()
            with pytest.raises(
                LinkLost, match=r"generator: cannot be (opened|reached) .*timed out"
            ):
                rig.connect(["generator"])
            assert time.monotonic() - began >= given_s


@pytest.mark.parametrize(
    ("address", "more", "message"),
    [
        (
            "TCPIP::127.0.0.1::5001::SOCKET",
            "serial: {baud: 9600}",
            "lines.yaml:11:13: instruments.generator.serial: the address "
            "TCPIP::127.0.0.1::5001::SOCKET is no serial line (ASRL...), which alone has such "
            "settings; take them out",
        ),
        (
            "TCPIP::127.0.0.1::hislip0::INSTR",
            "terminator: cr",
            "lines.yaml:11:17: instruments.generator.terminator: messages to "
            "TCPIP::127.0.0.1::hislip0::INSTR end by themselves; a terminator belongs to a raw "
            "socket or a serial line alone, so take it out",
        ),
        (
            "ASRL/dev/ttyS0::INSTR",
            "serial: {baud: 12345}",
            "lines.yaml:11:20: instruments.generator.serial.baud: found 12345, expected one of "
            "300, 600, 1200, 2400, 4800, 9600, 19200, 38400, 57600, 115200, 230400, 460800, 921600",
        ),
        (
            "ASRL/dev/ttyS0::INSTR",
            "serial: {parity: mark}",
            'lines.yaml:11:22: instruments.generator.serial.parity: "mark" is not known, known '
            "are: even, none, odd",
        ),
        (
            "ASRL/dev/ttyS0::INSTR",
            "terminator: crlf",
            'lines.yaml:11:17: instruments.generator.terminator: "crlf" is not known, did '
            'you mean "cr-lf"? Known: cr, cr-lf, lf',
        ),
    ],
)
def test_settings_that_make_no_sense_are_refused_at_their_line(
    address: str, more: str, message: str
) -> None:
    with pytest.raises(BenchFileError) as refused:
        bench(address, more)
    assert str(refused.value) == message
