"""Every fact found about raw sockets under pyvisa-py, against a server that misbehaves that way."""

from __future__ import annotations

import gc
import os
import resource
import socket
import threading
import time

import pytest
import pyvisa.util

from drivers import visa
from drivers.channels import SLICE_S
from drivers.errors import BadAddress, BadReply, LinkLost, Stopped, WrongInstrument
from drivers.link import Link
from drivers.visa import SerialSettings, open_session
from tests.drivers.servers import IDENTITY, Peer, Server, answering, serving, wait_until

LONG_S = 60.0
SHORT_S = 0.2


def open_link(server: Server, **settings: object) -> Link:
    return Link.open("generator", server.address, **settings)  # type: ignore[arg-type]


def echo(line: str) -> str | None:
    return f"{line[:-1]}\n" if line.endswith("?") else None


def test_a_query_is_answered_and_the_identity_is_known() -> None:
    with serving(answering(echo)) as server, open_link(server) as link:
        assert link.identity == IDENTITY
        assert link.query("FREQ?") == "FREQ"
        assert server.messages == ["*IDN?", "FREQ?"]


def test_nagles_algorithm_is_off_and_a_dead_peer_is_bounded() -> None:
    with serving(answering(echo)) as server:
        session = open_session(
            server.address, timeout_s=1.5, open_timeout_s=5.0, serial=SerialSettings()
        )
        try:
            connection = session.socket
            assert connection is not None
            assert connection.getsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY) == 1
            assert connection.getsockopt(socket.SOL_SOCKET, socket.SO_KEEPALIVE) == 1
            assert connection.getsockopt(socket.IPPROTO_TCP, socket.TCP_USER_TIMEOUT) == 1500
        finally:
            visa.close_session(session, abandon=False)


def test_a_refused_connection_is_named_as_refused() -> None:
    with socket.create_server(("127.0.0.1", 0)) as listener:
        port = listener.getsockname()[1]
    with pytest.raises(
        LinkLost,
        match=rf"generator: cannot be reached \(Connection refused\) "
        rf"at TCPIP::127\.0\.0\.1::{port}::SOCKET\. Check that it is switched on",
    ):
        Link.open("generator", f"TCPIP::127.0.0.1::{port}::SOCKET")


def test_a_connection_nobody_accepts_ends_at_the_open_timeout() -> None:
    # Linux drops further SYNs once a listener's queue is full: the peer that never answers.
    with socket.create_server(("127.0.0.1", 0), backlog=0) as listener:
        port = listener.getsockname()[1]
        waiting = []
        try:
            for _ in range(4):
                filler = socket.socket()
                filler.setblocking(False)
                filler.connect_ex(("127.0.0.1", port))
                waiting.append(filler)
            with pytest.raises(LinkLost, match=r"cannot be reached .*timed out"):
                Link.open("generator", f"TCPIP::127.0.0.1::{port}::SOCKET", open_timeout_s=SHORT_S)
        finally:
            for filler in waiting:
                filler.close()


def test_a_peer_that_closes_is_seen_at_once_not_at_the_timeout() -> None:
    def close_on_question(server: Server, peer: Peer) -> None:
        for line in peer.lines():
            if line != "*IDN?":
                return
            peer.send(IDENTITY + "\n")

    with serving(close_on_question) as server, open_link(server, timeout_s=LONG_S) as link:
        with pytest.raises(LinkLost, match=r"was lost .* closed the connection") as caught:
            link.query("POW?")
        assert caught.value.command == "POW?"
        assert not link.connected


def test_a_peer_that_closed_while_idle_is_seen_before_anything_is_sent() -> None:
    def close_after_identity(server: Server, peer: Peer) -> None:
        for _ in peer.lines():
            peer.send(IDENTITY + "\n")
            return

    with serving(close_after_identity) as server, open_link(server, timeout_s=LONG_S) as link:
        wait_until(lambda: server.peers[0].connection.fileno() == -1)
        with pytest.raises(LinkLost, match=r"while it was written to .*closed the connection"):
            link.write("OUTP ON")
        assert not link.connected
        assert len(server.peers) == 1


def test_a_reset_connection_is_a_lost_link() -> None:
    def reset(server: Server, peer: Peer) -> None:
        for line in peer.lines():
            if line != "*IDN?":
                peer.reset()
                return
            peer.send(IDENTITY + "\n")

    with (
        serving(reset) as server,
        open_link(server, timeout_s=LONG_S) as link,
        pytest.raises(LinkLost, match="Connection reset"),
    ):
        link.query("POW?")


def test_waiting_for_a_silent_instrument_costs_no_processor_time() -> None:
    with serving(answering(lambda _: None)) as server, open_link(server) as link:
        before = time.process_time()
        with pytest.raises(LinkLost, match="did not answer in time") as caught:
            link.query("POW?", 0.5)
        assert "POW?" in str(caught.value)
        # A spin would burn most of the half second; twenty polls burn next to nothing.
        assert time.process_time() - before < 0.25


def test_a_late_answer_never_poisons_the_next_query() -> None:
    told = threading.Event()

    def late(server: Server, peer: Peer) -> None:
        for line in peer.lines():
            if line == "*IDN?":
                peer.send(IDENTITY + "\n")
            elif line == "LATE?":
                told.wait(10.0)
                peer.send("stale\n")
            else:
                peer.send("fresh\n")

    with serving(late) as server, open_link(server) as link:
        with pytest.raises(LinkLost, match="did not answer in time"):
            link.query("LATE?", SHORT_S)
        with pytest.raises(LinkLost, match="is not connected"):
            link.query("POW?")
        link.reopen()
        told.set()
        assert link.query("POW?") == "fresh"


def test_an_answer_given_up_on_by_a_stop_is_not_taken_for_the_next() -> None:
    told = threading.Event()

    def late(server: Server, peer: Peer) -> None:
        for line in peer.lines():
            if line == "*IDN?":
                peer.send(IDENTITY + "\n")
            elif line == "LATE?":
                told.wait(10.0)
                peer.send("stale\n")
            else:
                peer.send("fresh\n")

    with serving(late) as server, open_link(server) as link:
        link.write("LATE?", 1)
        with pytest.raises(Stopped):
            link.read_text(LONG_S, cancel=lambda: True)
        told.set()
        assert link.query("POW?") == "fresh"
        assert [peer.number for peer in server.peers] == [1, 2]


def test_bytes_that_nobody_asked_for_are_thrown_away_with_their_session() -> None:
    chatty = answering(lambda line: "asked\nunasked\n" if line == "A?" else "second\n")
    with serving(chatty) as server, open_link(server) as link:
        assert link.query("A?") == "asked"
        assert link.query("B?") == "second"
        assert len(server.peers) == 2


def test_a_stop_is_obeyed_during_a_long_read() -> None:
    asked: list[float] = []

    def cancel() -> bool:
        asked.append(time.monotonic())
        return len(asked) == 4

    with serving(answering(lambda _: None)) as server, open_link(server) as link:
        link.write("TRAC?", 1)
        with pytest.raises(Stopped):
            link.read_text(LONG_S, cancel)
    assert len(asked) == 4
    # Asked once a slice, so a stop waits for one slice at most.
    assert SLICE_S <= 0.05
    assert asked[-1] - asked[0] < LONG_S / 2


def test_a_stop_is_obeyed_in_the_middle_of_a_reply() -> None:
    half = answering(lambda _: b"#3100" + bytes(40))
    with serving(half) as server, open_link(server) as link:
        link.write("TRAC?", 1)
        with pytest.raises(Stopped):
            link.read_block(LONG_S, cancel=lambda: True)


@pytest.mark.parametrize("closes", [False, True], ids=["then-silent", "then-closes"])
def test_half_a_block_is_a_lost_link_and_leaves_nothing_behind(closes: bool) -> None:
    def half(server: Server, peer: Peer) -> None:
        for line in peer.lines():
            if line == "*IDN?":
                peer.send(IDENTITY + "\n")
            elif line == "TRAC?" and peer.number == 1:
                peer.send(b"#3100" + bytes(50))
                if closes:
                    return
            else:
                peer.send("fresh\n")

    with serving(half) as server, open_link(server) as link:
        link.write("TRAC?", 1)
        timeout_s = LONG_S if closes else SHORT_S
        with pytest.raises(LinkLost, match="closed" if closes else "in time"):
            link.read_block(timeout_s)
        link.reopen()
        assert link.query("POW?") == "fresh"


def test_a_block_may_hold_any_byte_newlines_above_all() -> None:
    payload = bytes(range(256)) * 8 + b"\n" * 2000
    block = pyvisa.util.to_ieee_block(payload, "B", False)
    with serving(answering(lambda _: bytes(block) + b"\n")) as server, open_link(server) as link:
        for _ in range(3):
            link.write("TRAC?", 1)
            assert link.read_block(block_bytes=len(payload)) == payload
        assert len(server.peers) == 1


def test_a_block_without_a_final_newline_costs_no_timeout_and_no_session() -> None:
    replies = {"TRAC?": b"#14abcd", "POW?": b"-3.0\n"}
    with (
        serving(answering(lambda line: replies[line])) as server,
        open_link(server, timeout_s=LONG_S) as link,
    ):
        for _ in range(3):
            link.write("TRAC?", 1)
            assert link.read_block() == b"abcd"
            assert link.query("POW?") == "-3.0"
        assert len(server.peers) == 1


def test_a_block_of_indefinite_length_is_read_to_its_expected_size() -> None:
    replies = {"TRAC?": b"#0a\ncd\n", "POW?": b"-3.0\n"}
    with serving(answering(lambda line: replies[line])) as server, open_link(server) as link:
        link.write("TRAC?", 1)
        assert link.read_block(block_bytes=4) == b"a\ncd"
        assert link.query("POW?") == "-3.0"
        link.write("TRAC?", 1)
        with pytest.raises(BadReply, match="definite length, found one of indefinite length"):
            link.read_block()


def test_a_huge_announced_length_is_refused_before_it_is_read() -> None:
    huge = answering(lambda _: b"#9999999999" + bytes(1000))
    with serving(huge) as server, open_link(server, timeout_s=LONG_S) as link:
        link.write("TRAC?", 1)
        with pytest.raises(
            BadReply, match="at most 4004 bytes, found one announced with 999999999 bytes"
        ):
            link.read_block(block_bytes=4004, command="TRAC?")
        assert not link.connected


def test_an_endless_line_is_refused_at_the_limit() -> None:
    with (
        serving(answering(lambda _: b"x" * 100_000)) as server,
        open_link(server, timeout_s=LONG_S, max_reply_bytes=10_000) as link,
        pytest.raises(BadReply, match="a line of at most 10000 bytes"),
    ):
        link.query("POW?")


def test_text_where_a_block_was_expected_leaves_the_link_in_step() -> None:
    replies = {"TRAC?": "-1.0,-2.0\n", "POW?": "-3.0\n"}
    with serving(answering(lambda line: replies[line])) as server, open_link(server) as link:
        link.write("TRAC?", 1)
        with pytest.raises(BadReply, match=r"a data block starting with '#', found '-1.0,-2.0'"):
            link.read_block(command="TRAC?")
        assert link.query("POW?") == "-3.0"
        assert len(server.peers) == 1


def test_a_reply_of_any_byte_is_text_all_the_same() -> None:
    every_byte = bytes(range(256)).replace(b"\n", b"")
    with serving(answering(lambda _: every_byte + b"\n")) as server, open_link(server) as link:
        assert link.query("A?") == every_byte.decode("latin-1")
        assert link.query("A?").encode("latin-1") == every_byte


def test_carriage_returns_before_the_newline_are_dropped() -> None:
    handler = answering(lambda _: "-3.0\r\n", IDENTITY + "\r")
    with serving(handler) as server, open_link(server) as link:
        assert link.identity == IDENTITY
        assert link.query("POW?") == "-3.0"


def test_a_reply_may_arrive_byte_by_byte() -> None:
    def drip(server: Server, peer: Peer) -> None:
        for line in peer.lines():
            reply = IDENTITY + "\n" if line == "*IDN?" else "-12.345\n"
            for letter in reply:
                peer.send(letter)

    with serving(drip) as server, open_link(server) as link:
        assert [link.query("POW?") for _ in range(5)] == ["-12.345"] * 5


def test_a_blocked_write_is_bounded() -> None:
    def deaf(server: Server, peer: Peer) -> None:
        for _ in peer.lines():
            peer.send(IDENTITY + "\n")
            peer.wait()
            return

    with serving(deaf) as server, open_link(server, timeout_s=SHORT_S) as link:
        with pytest.raises(
            LinkLost, match=r"in time while it was written to: .* could not be sent"
        ):
            link.write("x" * (64 << 20))
        assert not link.connected


def test_a_stop_is_obeyed_during_a_blocked_write_and_the_link_recovers() -> None:
    def deaf_at_first(server: Server, peer: Peer) -> None:
        if peer.number > 1:
            answering(echo)(server, peer)
            return
        for _ in peer.lines():
            peer.send(IDENTITY + "\n")
            peer.wait()
            return

    with serving(deaf_at_first) as server, open_link(server, timeout_s=LONG_S) as link:
        with pytest.raises(Stopped):
            link.write("x" * (64 << 20), cancel=lambda: True)
        assert link.query("RF?") == "RF"


def test_a_large_write_to_a_slow_reader_goes_through_whole() -> None:
    text = "x" * (16 << 20)
    with serving(answering(echo)) as server, open_link(server, timeout_s=LONG_S) as link:
        link.write(text)
        assert link.query("DONE?") == "DONE"
        assert server.messages[1] == text


def test_more_than_1023_descriptors_do_no_harm() -> None:
    soft, hard = resource.getrlimit(resource.RLIMIT_NOFILE)
    resource.setrlimit(resource.RLIMIT_NOFILE, (min(4096, hard), hard))
    held: list[int] = []
    try:
        with serving(answering(echo)) as server:
            held.append(os.open(os.devnull, os.O_RDONLY))
            while held[-1] < 1100:
                held.append(os.dup(held[0]))
            with open_link(server) as link:
                assert link.query("POW?") == "POW"
                link.reopen()
                assert link.query("FREQ?") == "FREQ"
    finally:
        for descriptor in held:
            os.close(descriptor)
        resource.setrlimit(resource.RLIMIT_NOFILE, (soft, hard))


def test_reopening_leaves_nothing_behind_in_the_library() -> None:
    with serving(answering(echo)) as server, open_link(server) as link:
        library = visa._manager().visalib
        tables = (
            library.sessions,  # type: ignore[attr-defined]
            library._last_status_in_session,
            library._ignore_warning_in_session,
        )
        before = [len(table) for table in tables]
        for _ in range(50):
            link.reopen()
        assert [len(table) for table in tables] == before
        gc.collect()


def test_reopening_checks_that_the_same_instrument_answers() -> None:
    def two_faced(server: Server, peer: Peer) -> None:
        for _ in peer.lines():
            peer.send(IDENTITY + "\n" if peer.number == 1 else "Workshop,Analyzer-6G,0002,1.0\n")

    with serving(two_faced) as server, open_link(server, timeout_s=SHORT_S) as link:
        with pytest.raises(
            WrongInstrument,
            match=r"answers at .* as 'Workshop,Analyzer-6G,0002,1.0'; "
            r"expected 'Workshop,Source-6G,0001,1.0'",
        ):
            link.reopen()
        assert not link.connected


def test_an_unexpected_identity_is_refused_at_opening() -> None:
    with serving(answering(echo)) as server:
        with pytest.raises(WrongInstrument, match="expected one containing 'Analyzer-6G'"):
            open_link(server, expect_identity="Analyzer-6G")
        with open_link(server, expect_identity="Source-6G") as link:
            assert link.identity == IDENTITY


def test_an_instrument_without_identity_may_be_opened_unasked() -> None:
    with serving(answering(echo)) as server, open_link(server, identify=None) as link:
        assert link.query("POW?") == "POW"
        assert server.messages == ["POW?"]


def test_reopening_tries_again_until_the_instrument_is_back() -> None:
    with serving(answering(echo)) as server, open_link(server) as link:
        refusals = 2

        def handle(inner: Server, peer: Peer) -> None:
            if peer.number <= refusals:
                return
            answering(echo)(inner, peer)

        with serving(handle) as flaky:
            link.address = flaky.address
            link.reopen(attempts=3, first_wait_s=0.01)
            assert link.query("POW?") == "POW"
            assert len(flaky.peers) == 3


def test_reopening_gives_up_with_the_last_reason_and_can_be_stopped() -> None:
    with serving(answering(echo)) as server:
        link = open_link(server)
    with pytest.raises(LinkLost, match="Connection refused"):
        link.reopen(attempts=2, first_wait_s=0.01)
    with pytest.raises(Stopped):
        link.reopen(attempts=2, first_wait_s=LONG_S, cancel=lambda: True)


@pytest.mark.parametrize(
    ("address", "complaint"),
    [
        ("", "''"),
        ("generator", "'generator'"),
        ("TCPIP::127.0.0.1::port::SOCKET", "'port' is no port number"),
        ("TCPIP::127.0.0.1::70000::SOCKET", "'70000' is no port number"),
        ("TCPIP::127.0.0.1::5²::SOCKET", "'5²' is no port number"),
    ],
)
def test_a_bad_address_is_named_with_examples(address: str, complaint: str) -> None:

    with pytest.raises(
        BadAddress, match=r"Use for example TCPIP::192\.168\.1\.20::5025::SOCKET"
    ) as e:
        Link.open("generator", address)
    assert complaint in str(e.value)
