"""OFF to many sources at once: blind first, then asked about, and no one waits for another."""

from __future__ import annotations

import socket
import threading
import time

import pytest

from benchd.rfoff.ownership import Owner
from benchd.rfoff.sending import OWNED, UNREACHED, VERIFIED, WRITTEN, switch_off
from tests.drivers.message_servers import Vxi11, hislip
from tests.drivers.servers import serial_line, serving, wait_until
from tests.patience import PATIENCE_S
from tests.rfoff.sources import MUTE, OFF, QUERY, FakeSource, fake_source, known


def test_a_good_source_hears_off_first_and_says_so() -> None:
    with fake_source() as (source, server):
        (outcome,) = switch_off([known(server.address)], patience_s=PATIENCE_S)
    assert outcome.state == VERIFIED
    assert str(outcome) == f"generator at {server.address}: off, verified"
    assert source.heard[:2] == [OFF, QUERY]


@pytest.mark.parametrize("kind", MUTE)
def test_a_source_that_does_not_answer_hears_off_and_is_told_not_verified(kind: str) -> None:
    with fake_source(MUTE[kind]) as (source, server):
        (outcome,) = switch_off([known(server.address)], patience_s=1.0)
        wait_until(lambda: not source.rf_on, PATIENCE_S)
        assert source.heard[0] == OFF
    assert outcome.state == WRITTEN
    assert "written, not verified" in str(outcome)
    assert "switch it off by hand" in str(outcome)


def test_off_is_said_again_to_a_source_that_begins_to_hear_later() -> None:
    """It took the first bytes and lost them."""

    def forgets(source: FakeSource, peer: object, line: str) -> None:
        if source.heard.count(OFF) == 1:
            source.rf_on = True

    with fake_source(forgets) as (source, server):
        switch_off([known(server.address)], patience_s=2.0)
        wait_until(lambda: source.heard.count(OFF) >= 2, PATIENCE_S)
        assert not source.rf_on


def test_a_source_that_says_it_is_still_on_is_set_to_its_lowest_level_too() -> None:
    def lies(source: FakeSource, peer: object, line: str) -> None:
        peer.send("1\n")  # type: ignore[attr-defined]

    with fake_source(lies) as (source, server):
        (outcome,) = switch_off([known(server.address)], patience_s=1.0)
        wait_until(lambda: ":SOUR:POW:LEV:IMM:AMPL -60" in source.heard, PATIENCE_S)
    assert outcome.state == WRITTEN
    assert "it says that it is still on" in str(outcome)


def test_a_source_that_is_refused_and_comes_back_is_off_in_the_same_call() -> None:
    with socket.socket() as place:
        place.bind(("127.0.0.1", 0))
        port = place.getsockname()[1]
        address = f"TCPIP::127.0.0.1::{port}::SOCKET"
        outcomes = []
        calling = threading.Thread(
            target=lambda: outcomes.extend(switch_off([known(address)], patience_s=PATIENCE_S))
        )
        calling.start()
        time.sleep(0.3)
        place.listen()
        connection, _ = place.accept()
        with connection, connection.makefile("r") as lines:
            assert lines.readline() == f"{OFF}\n"
            connection.sendall(b"0\n")
            calling.join()
    assert [outcome.state for outcome in outcomes] == [VERIFIED]


def test_no_source_waits_for_another() -> None:
    """One refuses, one is silent, one takes no connection at all; the good one is off at once."""
    full = socket.socket()
    full.bind(("127.0.0.1", 0))
    full.listen(0)
    waiting = [socket.socket() for _ in range(4)]
    for one in waiting:
        one.setblocking(False)
        one.connect_ex(full.getsockname())
    with socket.socket() as nobody:
        nobody.bind(("127.0.0.1", 0))
        places = [f"TCPIP::127.0.0.1::{one.getsockname()[1]}::SOCKET" for one in (full, nobody)]
        with fake_source(MUTE["silent"]) as (_, mute), fake_source() as (good, server):
            sources = [known(place) for place in (*places, mute.address, server.address)]
            started = time.monotonic()
            outcomes = switch_off(sources, patience_s=2.0)
            assert good.off_at is not None
            assert good.off_at - started < 2.0
    for one in (full, *waiting):
        one.close()
    assert [outcome.state for outcome in outcomes] == [UNREACHED, UNREACHED, WRITTEN, VERIFIED]
    assert "not reached" in str(outcomes[0])


def test_a_headed_reply_and_other_words_are_read_as_the_record_says() -> None:
    def headed(source: FakeSource, peer: object, line: str) -> None:
        peer.send("OUTPUT:STATE 0\n")  # type: ignore[attr-defined]

    with fake_source(headed) as (_, server):
        (outcome,) = switch_off([known(server.address, headed=True)], patience_s=PATIENCE_S)
    assert outcome.state == VERIFIED


def test_what_another_owns_is_left_alone_if_so_asked_and_told_otherwise() -> None:
    owner = Owner(4711, "workshop")
    with fake_source() as (source, server):
        (left,) = switch_off(
            [known(server.address)], patience_s=1.0, claim=lambda *_: owner, unless_owned=True
        )
        assert source.heard == []
        (hurried,) = switch_off(
            [known(server.address)], patience_s=PATIENCE_S, claim=lambda *_: owner
        )
    assert (left.state, hurried.state) == (OWNED, VERIFIED)
    assert "left to process 4711, bench workshop, which owns it" in str(left)
    assert str(hurried).endswith("(owned by process 4711, bench workshop, which will notice)")


def test_a_serial_line_is_ended_first_since_half_a_message_may_stand_in_it() -> None:
    with serial_line(lambda line: {QUERY: "0\n"}.get(line)) as end:
        (outcome,) = switch_off([known(end.address)], patience_s=PATIENCE_S)
        assert end.messages[:3] == ["", OFF, QUERY]
    assert outcome.state == VERIFIED


@pytest.mark.parametrize("transport", ["hislip", "vxi11"])
def test_hislip_and_vxi11_are_switched_off_too(transport: str) -> None:
    def answer(message: str) -> str | None:
        return {QUERY: "0\n"}.get(message)

    make = {"hislip": hislip, "vxi11": Vxi11}[transport]
    with serving(make(answer)) as server:
        place = {"hislip": f"127.0.0.1::hislip0,{server.port}",
                 "vxi11": f"127.0.0.1,{server.port}::inst0"}[transport]  # fmt: skip
        (outcome,) = switch_off([known(f"TCPIP::{place}::INSTR")], patience_s=20.0)
        assert server.messages[:2] == [OFF, QUERY]
    assert outcome.state == VERIFIED
