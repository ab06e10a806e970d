"""Which transport a resource string asks for. No session is opened."""

from __future__ import annotations

import re
from typing import Literal

from pyvisa import rname
from pyvisa.constants import InterfaceType

_BRACKETED = re.compile(r"\[[0-9A-Fa-f:.%]*\]")

Transport = Literal["socket", "serial", "hislip", "vxi11", "other"]


def transport_of(address: str) -> Transport:
    """Which transport a resource string asks for. Raises ValueError if it is none.

    `TCPIP::host::port::SOCKET`, `TCPIP::host::hislip0[,port]::INSTR`,
    `TCPIP::host[,port]::inst0::INSTR` (VXI-11), `ASRL/dev/...::INSTR`; others pyvisa knows.
    """
    try:
        # pyvisa reads the colons of an IPv6 address as its own separators, so its parser gets a
        # word in place of the address.
        parsed = rname.parse_resource_name(_BRACKETED.sub("ipv6", address))
    except rname.InvalidResourceName as error:
        raise ValueError(str(error)) from error
    if isinstance(parsed, rname.TCPIPSocket):
        if not (re.fullmatch("[0-9]+", str(parsed.port)) and 0 < int(parsed.port) < 65536):
            raise ValueError(f"{parsed.port!r} is no port number")
        return "socket"
    if isinstance(parsed, rname.TCPIPInstr):
        return "hislip" if parsed.lan_device_name.lower().startswith("hislip") else "vxi11"
    if parsed.interface_type_const == InterfaceType.asrl:
        return "serial"
    return "other"
