"""HiSLIP and VXI-11, through pyvisa-py, against servers that keep messages apart."""

from __future__ import annotations

import threading
from collections.abc import Callable

import pytest
import pyvisa.util

from drivers.errors import BadReply, LinkLost, Stopped
from drivers.exchange import Exchange, Reply
from drivers.link import Link
from drivers.player import Player
from tests.drivers.message_servers import Vxi11, hislip
from tests.drivers.servers import IDENTITY, Peer, Server, serving, wait_until

LONG_S = 60.0
SHORT_S = 0.2
PAYLOAD = bytes(range(256)) * 40
BLOCK = bytes(pyvisa.util.to_ieee_block(PAYLOAD, "B", False))

Handler = Callable[[Server, Peer], None]
Answer = Callable[[str], bytes | str | None]


def hislip_address(server: Server) -> str:
    return f"TCPIP::127.0.0.1::hislip0,{server.port}::INSTR"


def vxi11_address(server: Server) -> str:
    return f"TCPIP::127.0.0.1,{server.port}::inst0::INSTR"


TRANSPORTS = pytest.mark.parametrize(
    ("make", "address_of"),
    [
        pytest.param(hislip, hislip_address, id="hislip"),
        pytest.param(
            lambda answer: hislip(answer, part_bytes=7), hislip_address, id="hislip-parts"
        ),
        pytest.param(Vxi11, vxi11_address, id="vxi11"),
        pytest.param(lambda answer: Vxi11(answer, part_bytes=7), vxi11_address, id="vxi11-parts"),
    ],
)


def answers(message: str) -> bytes | str | None:
    """Text, text without newline, a single character, blocks of both kinds, and silence."""
    return {
        "POW?": "-3.0\n",
        "BARE?": "-4.0",
        "*OPC?": "1",
        "TRAC?": BLOCK + b"\n",
        "OPEN?": b"#0" + PAYLOAD + b"\n",
        "SHORT?": BLOCK[:-10],
    }.get(message)


@TRANSPORTS
def test_text_and_blocks_are_read_whole(
    make: Callable[[Answer], Handler], address_of: Callable[[Server], str]
) -> None:
    with serving(make(answers)) as server, Link.open("analyzer", address_of(server)) as link:
        assert link.identity == IDENTITY
        assert [link.query(text) for text in ("POW?", "BARE?", "*OPC?")] == ["-3.0", "-4.0", "1"]
        for question in ("TRAC?", "OPEN?"):
            link.write(question, 1)
            assert link.read_block(block_bytes=len(PAYLOAD)) == PAYLOAD
        assert link.query("POW?") == "-3.0"


@TRANSPORTS
def test_bad_blocks_are_named_and_the_link_stays_in_step(
    make: Callable[[Answer], Handler], address_of: Callable[[Server], str]
) -> None:
    with serving(make(answers)) as server, Link.open("analyzer", address_of(server)) as link:
        for question, complaint in (
            ("POW?", r"a data block starting with '#', found '-3\.0"),
            ("SHORT?", "a data block of 10240 bytes, found only 10230 of them"),
        ):
            link.write(question, 1)
            with pytest.raises(BadReply, match=complaint):
                link.read_block()
            assert link.query("BARE?") == "-4.0"
        link.write("TRAC?", 1)
        with pytest.raises(BadReply, match="at most 400 bytes, found one announced with 10240"):
            link.read_block(block_bytes=400)


@TRANSPORTS
def test_a_silent_instrument_is_a_lost_link_and_reopening_helps(
    make: Callable[[Answer], Handler], address_of: Callable[[Server], str]
) -> None:
    with serving(make(answers)) as server, Link.open("analyzer", address_of(server)) as link:
        with pytest.raises(LinkLost, match="did not answer in time"):
            link.query("SILENT?", SHORT_S)
        link.reopen()
        assert link.query("POW?") == "-3.0"


@TRANSPORTS
def test_a_stop_is_obeyed_while_waiting(
    make: Callable[[Answer], Handler], address_of: Callable[[Server], str]
) -> None:
    asked = 0

    def cancel() -> bool:
        nonlocal asked
        asked += 1
        return asked == 3

    with serving(make(answers)) as server, Link.open("analyzer", address_of(server)) as link:
        link.write("SILENT?", 1)
        with pytest.raises(Stopped):
            link.read_text(LONG_S, cancel)
        assert asked == 3
        assert link.query("POW?") == "-3.0"


@TRANSPORTS
def test_messages_of_a_batch_stay_apart_and_queries_take_turns(
    make: Callable[[Answer], Handler], address_of: Callable[[Server], str]
) -> None:
    def answer(message: str) -> str | None:
        return {":B?": "b\n", ":C?": "c\n", "*OPC?": "1\n"}.get(message)

    batch = (
        Exchange("analyzer", ":A 1"),
        Exchange("analyzer", ":B?", Reply.TEXT),
        Exchange("analyzer", ":C?", Reply.TEXT),
        Exchange("analyzer", "D 1"),
        Exchange("analyzer", "*OPC?", Reply.TEXT),
    )
    with serving(make(answer)) as server, Link.open("analyzer", address_of(server)) as link:
        assert Player({"analyzer": link}).perform(batch) == [None, "b", "c", None, "1"]
        assert server.messages[1:] == [":A 1", ":B?", ":C?", "D 1", "*OPC?"]


@pytest.mark.parametrize("address_of", [hislip_address, vxi11_address], ids=["hislip", "vxi11"])
def test_a_refused_connection_is_named(address_of: Callable[[Server], str]) -> None:
    with serving(hislip(answers)) as server:
        pass
    with pytest.raises(LinkLost, match=r"cannot be (reached|opened) \(Connection refused\)"):
        Link.open("analyzer", address_of(server))


def test_hislip_sees_a_peer_that_closes_at_once() -> None:
    def close(server: Server, peer: Peer) -> None:
        answer_until_close = hislip(lambda _: _close(peer))
        answer_until_close(server, peer)

    with (
        serving(close) as server,
        Link.open("analyzer", hislip_address(server), timeout_s=LONG_S) as link,
        pytest.raises(LinkLost, match="was lost while its reply was awaited"),
    ):
        link.query("POW?")


def test_hislip_half_a_message_and_a_close_is_a_lost_link() -> None:
    def half(server: Server, peer: Peer) -> None:
        def answer(_: str) -> None:
            peer.send(b"HS" + bytes([7, 0]) + b"\xff\xff\xff\xff" + (100).to_bytes(8) + b"abc")
            _close(peer)

        hislip(answer)(server, peer)

    with (
        serving(half) as server,
        Link.open("analyzer", hislip_address(server), timeout_s=LONG_S) as link,
        pytest.raises(LinkLost, match="dropped by server"),
    ):
        link.query("POW?")


def test_hislip_garbage_in_place_of_a_header_is_a_lost_link() -> None:
    def garbage(server: Server, peer: Peer) -> None:
        hislip(lambda _: peer.send(b"\x00\xff" * 20))(server, peer)

    with (
        serving(garbage) as server,
        Link.open("analyzer", hislip_address(server), timeout_s=LONG_S) as link,
        pytest.raises(LinkLost, match="protocol synchronization error"),
    ):
        link.query("POW?")


def test_vxi11_sees_a_peer_that_closes_during_a_call_at_once() -> None:
    def close(server: Server, peer: Peer) -> None:
        Vxi11(lambda _: _close(peer))(server, peer)

    with (
        serving(close) as server,
        Link.open("analyzer", vxi11_address(server), timeout_s=LONG_S) as link,
        pytest.raises(LinkLost, match=r"was lost while it was written to .*closed the connection"),
    ):
        link.query("POW?")


def test_vxi11_survives_a_server_that_no_longer_answers_calls() -> None:
    server_side = Vxi11(answers)
    with (
        serving(server_side) as server,
        Link.open("analyzer", vxi11_address(server), timeout_s=LONG_S) as link,
    ):
        link.write("SILENT?", 1)
        server_side.dead.set()
        with pytest.raises(LinkLost):
            link.read_text()
        assert not link.connected


def test_vxi11_an_answer_later_than_a_slice_is_still_read_whole() -> None:
    server_side = Vxi11(lambda message: "-3.0\n" if message == "NOW?" else None, part_bytes=2)
    with (
        serving(server_side) as server,
        Link.open("analyzer", vxi11_address(server), timeout_s=LONG_S) as link,
    ):
        link.write("LATER?", 1)
        before = server_side.reads

        def deliver() -> None:
            wait_until(lambda: server_side.reads >= before + 3)
            server_side.deliver(b"-3.5\n")

        helper = threading.Thread(target=deliver)
        helper.start()
        assert link.read_text() == "-3.5"
        helper.join()
        assert link.query("NOW?") == "-3.0"


def _close(peer: Peer) -> None:
    peer.connection.shutdown(2)
    raise ConnectionResetError
