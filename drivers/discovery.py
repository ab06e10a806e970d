"""Finding instruments, and asking who answers at an address.

What can be found depends on the transport: USB and serial lines of this computer always, those of
the network (HiSLIP, VXI-11) where the package of the extra `discovery` is installed. A raw socket
cannot be found: its address is typed.
"""

from __future__ import annotations

import warnings
from dataclasses import dataclass

import pyvisa

from drivers.errors import DriverError
from drivers.link import Link

OFF = ":OUTP:STAT OFF"
"""SCPI-1999 volume 2, OUTPut:STATe. The first word to whoever answers, as it may be a source."""

ASK_WITHIN_S = 5.0


@dataclass(frozen=True, slots=True)
class Answerer:
    """Who answers at an address. identity: of `*IDN?`; "" with a reason in `trouble`."""

    address: str
    identity: str
    trouble: str = ""


def found_addresses() -> list[str]:
    """Addresses of what can be found without being asked anything."""
    with warnings.catch_warnings():
        # It tells by warnings which packages would let it find more.
        warnings.simplefilter("ignore")
        manager = pyvisa.ResourceManager("@py")
        try:
            found = manager.list_resources("?*::INSTR")
        finally:
            manager.close()
    return sorted(set(found))


def who_answers(address: str, *, within_s: float = ASK_WITHIN_S) -> Answerer:
    """Ask for the identity. RF OFF is written first."""
    try:
        with Link.open(
            address, address, timeout_s=within_s, open_timeout_s=within_s, first_words=(OFF,)
        ) as link:
            return Answerer(address, link.identity)
    except DriverError as error:
        return Answerer(address, "", error.message)
