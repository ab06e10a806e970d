"""Spellings of one address are known for one; different addresses stay different."""

from __future__ import annotations

import subprocess
import sys
from pathlib import Path

import pytest

from drivers.addresses import canonical_address


@pytest.mark.parametrize(
    "spellings",
    [
        [
            "TCPIP::127.0.0.1::5025::SOCKET",
            "TCPIP0::localhost::5025::SOCKET",
            "tcpip::LOCALHOST.::05025::socket",
            "TCPIP::127.1::5025::SOCKET",
            "TCPIP::0x7f000001::5025::SOCKET",
            "TCPIP::2130706433::5025::SOCKET",
            "TCPIP::[::1]::5025::SOCKET",
            "TCPIP::::ffff:127.0.0.1::5025::SOCKET",
            "TCPIP::0.0.0.0::5025::SOCKET",
        ],
        ["TCPIP::Generator.Lan::5025::SOCKET", "TCPIP0::generator.lan.::5025::SOCKET"],
        [
            "TCPIP::192.0.2.7::hislip0::INSTR",
            "TCPIP0::192.0.2.7::HISLIP0,4880::INSTR",
            "TCPIP0::192.0.2.7::hislip0",
        ],
        [
            "TCPIP::192.0.2.7::inst0::INSTR",
            "TCPIP0::192.0.2.7::INSTR",
            "TCPIP::192.0.2.7::INST0::instr",
        ],
        ["TCPIP::[2001:db8::7]::inst0::INSTR", "TCPIP::[2001:DB8:0::7]::INSTR"],
        ["GPIB::5::INSTR", "GPIB0::05::INSTR", "gpib0::5::0::INSTR"],
        ["USB0::0x1234::0x5678::SN1::INSTR", "USB::4660::22136::sn1::INSTR"],
        ["ASRL1::INSTR", "asrl01::instr"],
    ],
    ids=lambda spellings: spellings[0],
)
def test_spellings_of_one_address_are_one(spellings: list[str]) -> None:
    assert len({canonical_address(spelling) for spelling in spellings}) == 1


def test_different_addresses_stay_different() -> None:
    addresses = [
        "TCPIP::127.0.0.1::5025::SOCKET",
        "TCPIP::127.0.0.1::5026::SOCKET",
        "TCPIP::127.0.0.2::5025::SOCKET",
        "TCPIP::192.0.2.7::hislip0::INSTR",
        "TCPIP::192.0.2.7::hislip1::INSTR",
        "TCPIP::192.0.2.7::hislip0,4881::INSTR",
        "TCPIP::192.0.2.7::inst0::INSTR",
        "TCPIP::192.0.2.7,50251::inst0::INSTR",
        "TCPIP::192.0.2.7::inst1::INSTR",
        "ASRL/dev/ttyUSB0::INSTR",
        "ASRL/dev/ttyUSB1::INSTR",
        "ASRL1::INSTR",
        "GPIB0::5::INSTR",
        "GPIB0::5::1::INSTR",
        "GPIB1::5::INSTR",
    ]
    assert len({canonical_address(address) for address in addresses}) == len(addresses)


def test_a_serial_device_is_followed_through_its_links(tmp_path: Path) -> None:
    device = tmp_path / "ttyUSB0"
    device.touch()
    link = tmp_path / "by-id"
    link.symlink_to(device)
    assert canonical_address(f"ASRL{link}::INSTR") == canonical_address(f"ASRL{device}::INSTR")


@pytest.mark.parametrize("port", ["0", "65536", "99999999999", "-1", "5_0", "٥٠٢٥", "x"])
def test_what_is_no_port_is_refused(port: str) -> None:
    with pytest.raises(ValueError, match="is no port number, expected 1 to 65535"):
        canonical_address(f"TCPIP::127.0.0.1::{port}::SOCKET")


def test_it_loads_without_heavy_packages() -> None:
    """A small program that switches RF off in a hurry uses it."""
    code = (
        "import sys, drivers.addresses\n"
        "heavy = {'numpy', 'pyvisa', 'pydantic', 'sqlalchemy', 'asyncio'} & set(sys.modules)\n"
        "sys.exit(repr(heavy) if heavy else 0)"
    )
    done = subprocess.run(
        [sys.executable, "-c", code], capture_output=True, text=True, timeout=60, check=False
    )
    assert (done.returncode, done.stderr) == (0, "")
