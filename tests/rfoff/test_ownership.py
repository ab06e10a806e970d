"""An instrument has one owner on this computer, however its address is spelt."""

from __future__ import annotations

import os
import signal
import socket
import subprocess
import sys
from collections.abc import Callable
from pathlib import Path

import pytest

from benchd.rfoff.ownership import (
    AbstractNames,
    LockedFiles,
    Owner,
    Ownership,
    instrument_keys,
    owner_of,
    resolved_hosts,
)

HERE = "TCPIP::127.0.0.1::50251::SOCKET"
HOLDER = """
import sys
from benchd.rfoff.ownership import Ownership
claims = Ownership()
assert claims.claim(sys.argv[1:], "roof/top") is None
print("held", flush=True)
sys.stdin.read()
"""
PLACES = pytest.mark.parametrize(
    "place",
    [lambda folder: AbstractNames(), lambda folder: LockedFiles(folder / "owners")],
    ids=["names", "files"],
)


def keys(address: str) -> set[str]:
    return set(instrument_keys(address, resolved_hosts(address)))


@pytest.mark.parametrize(
    "address",
    [
        "TCPIP0::127.0.0.1::50251::SOCKET",
        "tcpip::LOCALHOST::050251::socket",
        "TCPIP::[::1]::50251::SOCKET",
        f"TCPIP::{socket.gethostname()}::50251::SOCKET",
        "TCPIP::0.0.0.0::50251::SOCKET",
    ],
)
def test_one_instrument_of_this_computer_has_one_name(address: str) -> None:
    assert keys(address) & keys(HERE)


@pytest.mark.parametrize(
    ("one", "other"),
    [
        ("TCPIP::192.0.2.10::5025::SOCKET", "TCPIP::192.0.2.10::inst0::INSTR"),
        ("TCPIP::192.0.2.10::INSTR", "TCPIP0::192.0.2.10::hislip0::INSTR"),
        ("GPIB0::7::INSTR", "gpib::7::INSTR"),
    ],
)
def test_the_usual_ports_of_one_host_are_one_instrument(one: str, other: str) -> None:
    assert keys(one) & keys(other)


def test_other_ports_and_other_hosts_are_other_instruments() -> None:
    addresses = [
        HERE, "TCPIP::127.0.0.1::50252::SOCKET", "TCPIP::192.0.2.10::50251::SOCKET",
        "TCPIP::192.0.2.10::5025::SOCKET", "TCPIP::192.0.2.10::inst1::INSTR",
        "ASRL/dev/null::INSTR",
    ]  # fmt: skip
    found = [keys(address) for address in addresses]
    assert sum(len(one) for one in found) == len(set().union(*found))


def test_a_host_name_that_means_the_same_instrument_shares_a_name_with_its_number() -> None:
    named = instrument_keys("TCPIP::source.example::50251::SOCKET", ("192.0.2.10",))
    assert set(named) & keys("TCPIP::192.0.2.10::50251::SOCKET")


def test_a_serial_line_is_known_behind_a_link(tmp_path: Path) -> None:
    device, link = tmp_path / "ttyUSB0", tmp_path / "by-id"
    device.touch()
    link.symlink_to(device)
    assert keys(f"ASRL{device}::INSTR") == keys(f"ASRL{link}::INSTR")


@PLACES
def test_the_second_claim_is_told_who_owns_it(
    tmp_path: Path, place: Callable[[Path], AbstractNames]
) -> None:
    one = [f"SOCKET::one::{os.getpid()}", f"SOCKET::shared::{os.getpid()}"]
    other = [f"SOCKET::other::{os.getpid()}", f"SOCKET::shared::{os.getpid()}"]
    first, second = Ownership(place(tmp_path)), Ownership(place(tmp_path))
    assert first.claim(one, "workshop") is None
    assert first.claim(one, "workshop") is None, "what is owned already may be claimed again"
    assert second.claim(other, "roof") == Owner(os.getpid(), "workshop")
    assert owner_of(other[:1], place(tmp_path)) is None, "a claim that failed leaves nothing owned"
    first.claim(one, "mixed")
    assert owner_of(one, place(tmp_path)) == Owner(os.getpid(), "mixed")
    first.release()
    assert owner_of(one, place(tmp_path)) is None
    assert second.claim(other, "roof") is None
    second.release()


def test_an_owner_that_is_killed_lets_go() -> None:
    held = [f"SOCKET::killed::{os.getpid()}"]
    holder = subprocess.Popen(
        [sys.executable, "-c", HOLDER, *held],
        stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True,
    )  # fmt: skip
    assert holder.stdout is not None
    assert holder.stdin is not None
    try:
        assert holder.stdout.readline() == "held\n"
        for _ in range(20):  # asking leaves no trace that would stop the next
            assert owner_of(held) == Owner(holder.pid, "roof/top")
        holder.send_signal(signal.SIGKILL)
        holder.wait()
        assert owner_of(held) is None
        claim = Ownership()
        assert claim.claim(held, "workshop") is None
        claim.release()
    finally:
        holder.kill()
        holder.wait()
        holder.stdin.close()
        holder.stdout.close()
