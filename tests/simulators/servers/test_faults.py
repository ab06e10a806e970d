"""Misbehaviour on demand: each fault does what it says, as often as asked, and then stops."""

from __future__ import annotations

import socket
import time
from collections.abc import Callable
from typing import Any

import pytest

from tests.patience import PATIENCE_S

IDENTITY = "Workshop,Source-6G,0001,1.0"


def arm(workshop: Any, mode: str, **more: Any) -> None:
    workshop.control.do("fault", instrument="generator", mode=mode, **more)


def is_cut(client: Any) -> bool:
    """Whether the server has ended the connection, by an end or by a reset."""
    try:
        return all(client.query("*IDN?") == "" for _ in range(3))
    except ConnectionError:
        return True


def runs_full(client: Any, message: bytes) -> bool:
    """Whether writing on and on blocks in the end."""
    client.socket.settimeout(0.3)
    try:
        for _ in range(10000):
            client.socket.sendall(message)
    except TimeoutError:
        return True
    return False


def read_and_no_more(client: Any, count: int, while_s: float = 0.3) -> bytes:
    """`count` bytes, however late they come, and what follows within a while."""
    client.socket.settimeout(PATIENCE_S)
    found = b""
    while len(found) < count:
        piece = client.socket.recv(4096)
        assert piece, "the connection was closed"
        found += piece
    client.socket.settimeout(while_s)
    try:
        more = client.socket.recv(4096)
    except TimeoutError:
        client.socket.settimeout(PATIENCE_S)
        return found
    assert more, "the connection was closed"
    return found + more


def test_silent_drops_the_reply_and_executes_the_command(workshop: Any) -> None:
    arm(workshop, "silent", count=2)
    client = workshop.open("generator")
    client.write("POW -7;POW?\n*IDN?")
    assert client.query("POW?") == "-7.00000000000E+00"


def test_skip_lets_good_replies_through_first(workshop: Any) -> None:
    arm(workshop, "silent", skip=2)
    client = workshop.open("generator")
    client.write("*IDN?\n*OPC?\nPOW?\n*ESE?")
    assert [client.read() for _ in range(3)] == [IDENTITY, "1", "0"]


def test_close_hangs_up_instead_of_answering(workshop: Any) -> None:
    arm(workshop, "close")
    client = workshop.open("generator")
    client.write("*IDN?")
    assert client.read() == ""
    assert workshop.open("generator").query("*IDN?") == IDENTITY


def test_half_block_sends_half_and_no_more(workshop: Any) -> None:
    arm(workshop, "half-block")
    client = workshop.open("generator")
    client.write("*IDN?")
    half = (IDENTITY + "\n").encode()[: (len(IDENTITY) + 1) // 2]
    assert read_and_no_more(client, len(half)) == half
    assert client.query("*OPC?") == "1"


def test_late_answers_later_and_in_order(workshop: Any) -> None:
    arm(workshop, "late", delay_s=0.5)
    client = workshop.open("generator")
    asked_s = time.monotonic()
    client.write("*IDN?")
    client.write("*OPC?")
    assert client.read() == IDENTITY
    assert time.monotonic() - asked_s >= 0.5
    assert client.read() == "1"


def test_garbage_is_no_text_and_ends_like_a_reply(workshop: Any) -> None:
    arm(workshop, "garbage")
    client = workshop.open("generator")
    client.write("*IDN?")
    line = client.read().encode("latin-1")
    assert len(line) == len(IDENTITY)
    with pytest.raises(UnicodeDecodeError):
        line.decode("utf-8")
    assert client.query("*IDN?") == IDENTITY


def test_slow_drips_the_whole_reply(workshop: Any) -> None:
    arm(workshop, "slow", delay_s=0.005)
    client = workshop.open("generator")
    assert client.query("*IDN?") == IDENTITY


def test_half_close_ends_the_replies_and_goes_on_hearing(workshop: Any) -> None:
    arm(workshop, "half-close")
    client = workshop.open("generator")
    client.write("*IDN?")
    assert client.read() == ""
    client.write("POW -7;POW?")
    other = workshop.open("generator")
    while other.query("POW?") != "-7.00000000000E+00":
        pass  # the two connections are heard in any order


def test_stop_listening_cuts_and_refuses_until_told_otherwise(workshop: Any) -> None:
    client = workshop.open("generator")
    assert client.query("*IDN?") == IDENTITY
    arm(workshop, "stop-listening")
    assert is_cut(client)
    with pytest.raises(ConnectionRefusedError):
        workshop.open("generator")
    arm(workshop, "none")
    workshop.control.do("state")
    assert workshop.open("generator").query("*IDN?") == IDENTITY


def test_stop_listening_ends_by_itself_after_its_time(workshop: Any) -> None:
    began_s = time.monotonic()
    arm(workshop, "stop-listening", delay_s=0.2)
    client = None
    while client is None and time.monotonic() < began_s + PATIENCE_S:
        try:
            client = workshop.open("generator")
        except ConnectionRefusedError:
            workshop.control.do("state")
    assert client is not None
    assert time.monotonic() - began_s >= 0.2
    assert client.query("*IDN?") == IDENTITY


def test_deaf_lets_a_client_run_into_a_full_buffer(workshop: Any) -> None:
    client = workshop.open("generator")
    assert client.query("*IDN?") == IDENTITY
    arm(workshop, "deaf")
    assert runs_full(client, b"*CLS;" * 2000 + b"\n")
    client.close()
    arm(workshop, "none")
    assert workshop.open("generator").query("*IDN?") == IDENTITY


def test_a_power_cycle_cuts_resets_and_sets_the_power_on_event(workshop: Any) -> None:
    client = workshop.open("generator")
    client.query("POW -3;:OUTP ON;*OPC?")
    workshop.control.do("power-cycle", instrument="generator")
    assert workshop.control.instrument("generator")["rf_on"] is False
    assert is_cut(client)
    # IEEE 488.2-1992, 11.5.1.1.2: bit 7 tells that power was off.
    assert workshop.open("generator").query("*ESR?;:POW?;:OUTP?") == "128;-3.00000000000E+01;0"


@pytest.mark.parametrize(
    ("request_", "error"),
    [
        (
            {"instrument": "generator", "mode": "explode"},
            "no fault 'explode'; there are silent, close, half-block, late, garbage, slow, "
            "half-close, stop-listening, deaf, none",
        ),
        (
            {"instrument": "oven", "mode": "silent"},
            "no instrument 'oven'; there are generator, analyzer, switch, lid",
        ),
        (
            {"instrument": "generator", "mode": "silent", "count": 0},
            "a fault needs count >= 1, skip >= 0 and delay_s from 0 to 3600",
        ),
        ({"instrument": "generator"}, '"fault" needs "mode"'),
    ],
)
def test_senseless_faults_are_refused(workshop: Any, request_: dict[str, Any], error: str) -> None:
    assert workshop.control.ask(do="fault", **request_) == {"ok": False, "error": error}


def test_a_fault_of_one_instrument_leaves_the_others_alone(workshop: Any) -> None:
    arm(workshop, "silent", count=1000)
    assert workshop.open("analyzer").query("*IDN?") == "Workshop,Analyzer-6G,0002,1.0"


def test_unread_replies_do_not_stop_other_clients(
    workshop: Any, simulator: Callable[..., Any]
) -> None:
    stuck = workshop.open("generator")
    stuck.socket.setsockopt(socket.SOL_SOCKET, socket.SO_RCVBUF, 4096)
    assert runs_full(stuck, b"*IDN?\n" * 2000)
    assert workshop.open("generator").query("*IDN?") == IDENTITY
