"""OFF is the first thing written on every session and the last on every one that is given up."""

from __future__ import annotations

import socket
import threading
import time
from collections.abc import Callable

import pytest

from drivers.connecting import connected_socket
from drivers.errors import BadReply, LinkLost, Stopped, WrongInstrument
from drivers.link import Link
from tests.drivers.message_servers import Vxi11, hislip
from tests.drivers.servers import (
    IDENTITY,
    Peer,
    Server,
    answering,
    serial_line,
    serving,
    wait_until,
)
from tests.patience import PATIENCE_S
from tests.rfoff.sources import MUTE, OFF, FakeSource, fake_source

WORDS = (OFF,)
SHORT_S = 0.3


def after(seconds: float) -> Callable[[], bool]:
    """A stop that comes so much later."""
    at = time.monotonic() + seconds
    return lambda: time.monotonic() >= at


def answers(line: str) -> str | None:
    return {"POW?": "-3.0\n"}.get(line)


def test_off_comes_before_the_question_who_it_is() -> None:
    with serving(answering(answers)) as server:
        with Link.open("generator", server.address, first_words=WORDS) as link:
            assert link.query("POW?") == "-3.0"
            link.reopen()
            assert link.query("POW?") == "-3.0"
        wait_until(lambda: server.messages.count(OFF) == 4, PATIENCE_S)
    session = [OFF, "*IDN?", "POW?", OFF]
    assert [peer.heard for peer in server.peers] == [session, session]


def test_a_stranger_at_the_address_hears_off_as_well_and_is_then_refused() -> None:
    with serving(answering(answers, identity="Workshop,Analyzer-6G")) as server:
        with pytest.raises(WrongInstrument):
            Link.open("generator", server.address, expect_identity="Source", first_words=WORDS)
        assert server.messages[:2] == [OFF, "*IDN?"]


@pytest.mark.parametrize("kind", MUTE)
def test_a_source_that_does_not_say_who_it_is_has_heard_off(kind: str) -> None:
    with fake_source(MUTE[kind]) as (source, server):
        with pytest.raises((LinkLost, BadReply)):
            Link.open("generator", server.address, timeout_s=SHORT_S, first_words=WORDS)
        assert not source.rf_on


@pytest.mark.parametrize("kind", MUTE)
def test_a_stop_is_obeyed_and_off_is_written_at_once_whatever_drips_in(kind: str) -> None:
    def speaks(source: FakeSource, peer: Peer, line: str) -> None:
        peer.send(f"{IDENTITY}\n") if line == "*IDN?" else MUTE[kind](source, peer, line)

    with fake_source(speaks) as (source, server):
        link = Link.open("generator", server.address, timeout_s=PATIENCE_S, first_words=WORDS)
        source.rf_on = True
        heard = source.heard.count(OFF)
        link.write("POW?", 1)
        stop = after(0.2)
        # A half-closed source is noticed before, and a flood may reach its limit.
        with pytest.raises((Stopped, LinkLost, BadReply)):
            link.read_text(None, stop)
        wait_until(lambda: source.heard.count(OFF) > heard, PATIENCE_S)
        assert not source.rf_on
        link.close()


@pytest.mark.parametrize("read", ["text", "block"])
def test_bytes_that_drip_in_do_not_put_off_the_deadline(read: str) -> None:
    with (
        fake_source(MUTE["dripping"]) as (_, server),
        Link.open("generator", server.address, identify=None, timeout_s=SHORT_S) as link,
    ):
        link.write("POW?", 1)
        with pytest.raises(LinkLost, match="did not answer in time"):
            link.read_text() if read == "text" else link.read_block(block_bytes=10**6)


def test_stale_lines_without_end_do_not_hold_up_reopening() -> None:
    """Late answers of a session before may come on a line without connection."""
    chatting = threading.Event()

    def handle(server: Server, peer: Peer) -> None:
        for _ in peer.lines():
            if not chatting.is_set():
                peer.send(f"{IDENTITY}\n")
                continue
            while not peer.stop.wait(0.01):
                peer.send("late\n")

    with serving(handle) as server:
        link = Link.open("generator", server.address, timeout_s=SHORT_S)
        chatting.set()
        with pytest.raises(WrongInstrument, match="'late'"):
            link.reopen()


def test_off_is_said_again_while_a_source_is_waited_for() -> None:
    """It loses what it hears at first."""
    with fake_source(MUTE["silent"]) as (source, server):
        with pytest.raises(LinkLost):
            Link.open("generator", server.address, timeout_s=2.0, first_words=WORDS)
        wait_until(lambda: source.heard.count(OFF) >= 3, PATIENCE_S)


def test_half_a_message_is_spoilt_before_off_is_written() -> None:
    """`:POW -1` must not be carried out where `:POW -10` was meant."""
    taking = threading.Event()
    received = bytearray()

    def handle(server: Server, peer: Peer) -> None:
        taking.wait(PATIENCE_S)
        while data := peer.connection.recv(65536):
            received.extend(data)

    with serving(handle) as server:
        link = Link.open("generator", server.address, identify=None, first_words=WORDS)
        with pytest.raises(Stopped):
            link.write(":POW " + "1" * (32 << 20), cancel=after(0.2))
        # It takes bytes again while OFF is tried on the old session.
        taking.set()
        wait_until(lambda: len(received) > 4096, PATIENCE_S)
        link.close()
        wait_until(lambda: received.endswith(f"{OFF}\n".encode()), PATIENCE_S)
    assert b"1~\n:OUTP:STAT OFF\n" in received


def test_a_serial_line_is_ended_before_off() -> None:
    with serial_line(answers) as end:
        with Link.open("generator", end.address, first_words=WORDS) as link:
            assert link.query("POW?") == "-3.0"
        wait_until(lambda: end.messages == ["", OFF, "*IDN?", "POW?", OFF], PATIENCE_S)


@pytest.mark.parametrize("transport", ["hislip", "vxi11"])
def test_hislip_and_vxi11_hear_off_first_and_when_they_are_given_up(transport: str) -> None:
    make = {"hislip": hislip, "vxi11": Vxi11}[transport]
    with serving(make(answers)) as server:
        place = {"hislip": f"127.0.0.1::hislip0,{server.port}",
                 "vxi11": f"127.0.0.1,{server.port}::inst0"}[transport]  # fmt: skip
        link = Link.open("generator", f"TCPIP::{place}::INSTR", first_words=WORDS)
        assert server.messages == [OFF, "*IDN?"]
        link.write("SILENT?", 1)
        with pytest.raises(Stopped):
            link.read_text(PATIENCE_S, after(0.1))
        wait_until(lambda: server.messages == [OFF, "*IDN?", "SILENT?", OFF], PATIENCE_S)
        link.close()


def test_vxi11_is_stopped_though_its_server_answers_no_call() -> None:
    server_side = Vxi11(answers)
    with (
        serving(server_side) as server,
        Link.open("generator", f"TCPIP::127.0.0.1,{server.port}::inst0::INSTR") as link,
    ):
        link.write("SILENT?", 1)
        server_side.dead.set()
        with pytest.raises(Stopped):
            link.read_text(PATIENCE_S, after(0.1))


def test_a_connection_comes_about_soon_after_packets_get_through_again() -> None:
    """A full queue of connections: the system drops the first packet of each further one."""
    with socket.socket() as full:
        full.bind(("127.0.0.1", 0))
        full.listen(0)
        blocking = [socket.socket() for _ in range(3)]
        for one in blocking:
            one.setblocking(False)
            one.connect_ex(full.getsockname())
        found: list[socket.socket] = []
        deadline = time.monotonic() + PATIENCE_S
        connecting = threading.Thread(
            target=lambda: found.append(
                connected_socket(["127.0.0.1"], full.getsockname()[1], deadline)
            )
        )
        connecting.start()
        connecting.join(0.7)
        assert connecting.is_alive()
        full.listen(8)
        connecting.join()
        for one in (*blocking, *found):
            one.close()


def test_connecting_is_stopped_at_once_and_refused_by_all_hosts_is_told() -> None:
    with socket.socket() as full:
        full.bind(("127.0.0.1", 0))
        full.listen(0)
        blocking = [socket.socket() for _ in range(3)]
        for one in blocking:
            one.setblocking(False)
            one.connect_ex(full.getsockname())
        port = full.getsockname()[1]
        with pytest.raises(Stopped):
            connected_socket(["127.0.0.1"], port, time.monotonic() + PATIENCE_S, after(0.1))
        with pytest.raises(TimeoutError):
            connected_socket(["127.0.0.1"], port, time.monotonic() + 0.1)
        for one in blocking:
            one.close()
    with pytest.raises(ConnectionRefusedError):
        connected_socket(["127.0.0.1", "localhost"], port, time.monotonic() + PATIENCE_S)
