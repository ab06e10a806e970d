"""One spelling for one address, so that two spellings of it are known to be the same. Pure.

`TCPIP::LOCALHOST::05025::SOCKET` and `TCPIP0::127.0.0.1::5025::SOCKET` reach one instrument. Two
entries of a bench file that do so would take each other's replies. And a lock on an instrument must
have the same name for every program that uses it. No host name is looked up: a name server may be
slow or unreachable, and its answers may change. A host name and its IP address therefore count as
two hosts, except for this computer itself.

This module imports nothing heavy, so that a small program can use it.
"""

from __future__ import annotations

import ipaddress
import os
import re
import socket

_HISLIP_PORT = 4880  # IVI-6.1, 6.1.1 (from memory)
_LOOPBACK = "127.0.0.1"
_LOOPBACK_NAMES = ("localhost", "localhost.localdomain", "ip6-localhost", "ip6-loopback")
_INTERFACE = re.compile(r"([A-Za-z]+)([0-9]*)(/.*)?", re.ASCII)


def canonical_address(address: str) -> str:
    """A VISA resource string in the one spelling that all spellings of it share.

    A serial device is followed through symbolic links, as in `/dev/serial/by-id`. Raises
    ValueError, with words for a person, where the port of a network address is no port.
    """
    parts = address.strip().split("::")
    match = _INTERFACE.fullmatch(parts[0])
    if match is None:
        return address.strip().upper()
    interface, board, device = match.group(1).upper(), match.group(2), match.group(3)
    rest = parts[1:]
    if interface == "TCPIP" and len(rest) >= 2:
        return _network(rest)
    if interface == "ASRL":
        return f"ASRL{os.path.realpath(device)}" if device else f"ASRL{_number(board or '0')}"
    if rest and rest[-1].upper() == "INSTR":
        rest = rest[:-1]
    if interface == "GPIB" and len(rest) == 1:
        rest = [*rest, "0"]  # the secondary address that is meant where none is given
    return "::".join([f"{interface}{_number(board or '0')}", *(_number(part) for part in rest)])


def _network(rest: list[str]) -> str:
    if rest[-1].upper() == "SOCKET":
        host, port = "::".join(rest[:-2]), rest[-2]
        return f"SOCKET::{_host(host)}::{_port(port)}"
    if rest[-1].upper() == "INSTR":
        rest = rest[:-1]
    # An IPv6 address in brackets holds colons of its own.
    host = rest[0]
    while host.startswith("[") and "]" not in host and len(rest) > 1:
        rest = [f"{host}::{rest[1]}", *rest[2:]]
        host = rest[0]
    device = rest[1].lower() if len(rest) > 1 else "inst0"
    device, _, port = device.partition(",")
    if device.startswith("hislip"):
        return f"HISLIP::{_host(host)}::{_port(port or str(_HISLIP_PORT))}::{device}"
    host, _, host_port = host.partition(",")
    place = f"VXI11::{_host(host)}::{device}"
    return f"{place}::{_port(host_port)}" if host_port else place


def _host(text: str) -> str:
    """A host in one spelling; every name of this computer's own loopback is one host."""
    name = text.strip().lower().rstrip(".").removeprefix("[").removesuffix("]")
    if name in _LOOPBACK_NAMES:
        return _LOOPBACK
    try:
        number: ipaddress.IPv4Address | ipaddress.IPv6Address = ipaddress.ip_address(name)
    except ValueError:
        number_or_none = _short_ipv4(name)
        if number_or_none is None:
            return name
        number = number_or_none
    if isinstance(number, ipaddress.IPv6Address) and number.ipv4_mapped is not None:
        number = number.ipv4_mapped
    if number.is_unspecified or number == ipaddress.IPv6Address("::1"):
        return _LOOPBACK
    return str(number)


def _short_ipv4(name: str) -> ipaddress.IPv4Address | None:
    """An IPv4 address as the system's own reader takes it: 127.1, 0x7f.1, 2130706433."""
    if not re.fullmatch(r"[0-9a-fx.]+", name) or not name[0].isdigit():
        return None
    try:
        return ipaddress.IPv4Address(socket.inet_aton(name))
    except OSError:
        return None


def _port(text: str) -> int:
    if not re.fullmatch("[0-9]{1,9}", text) or not 0 < int(text) < 65536:
        raise ValueError(f'"{text[:20]}" is no port number, expected 1 to 65535')
    return int(text)


def _number(text: str) -> str:
    """Numbers without leading zeros, hexadecimal ones in decimal; other text in capitals."""
    if re.fullmatch("[0-9]{1,18}", text):
        return str(int(text))
    if re.fullmatch("0[xX][0-9a-fA-F]{1,16}", text):
        return str(int(text, 16))
    return text.upper()
