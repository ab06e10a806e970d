"""Addresses of instruments for `benchd new-bench`: found, typed, and asked who answers."""

from __future__ import annotations

from dataclasses import dataclass, field

from benchd.cli.dialogue import Dialogue, Refusal
from benchd.rfoff.ownership import instrument_keys, owner_of, resolved_hosts
from benchd.untrusted import whole_number
from drivers.discovery import Answerer, found_addresses, who_answers
from drivers.transports import transport_of


@dataclass
class Found:
    """Addresses in the order in which they were found, and what answered there."""

    addresses: list[str] = field(default_factory=list)
    identities: dict[str, str] = field(default_factory=dict)


def find(dialogue: Dialogue) -> Found:
    """Look where the transports offer it, and ask each that the person lets us ask."""
    found = Found(found_addresses())
    if not found.addresses:
        dialogue.say(
            "No instrument was found; addresses can be typed. Raw sockets are never found."
        )
        return found
    dialogue.say("Found, and asked nothing yet:")
    for address in found.addresses:
        dialogue.say(f"  {address}")
    for address in found.addresses:
        if dialogue.agrees(
            f"Ask {address} who it is?",
            "its answer says what it is. It hears RF OFF first, which would end what it sends.",
            default=transport_of(address) != "serial",
        ):
            _ask(dialogue, found, address)
    return found


def address_of(dialogue: Dialogue, found: Found, what: str, why: str) -> tuple[str, str]:
    """The address of an instrument, and what its identity must hold ("" where nobody asked)."""
    for number, address in enumerate(found.addresses, 1):
        dialogue.say(f"  {number}  {address}  {found.identities.get(address, '')}")

    def read(text: str) -> str:
        if text.isascii() and text.isdigit() and 1 <= whole_number(text) <= len(found.addresses):
            return found.addresses[whole_number(text) - 1]
        if text.isascii() and text.isdigit():
            raise Refusal("there is no such number in the list")
        try:
            transport_of(text)
        except ValueError as error:
            raise Refusal(
                f"{error}; one is TCPIP::192.0.2.10::5025::SOCKET, another "
                "TCPIP::192.0.2.10::hislip0::INSTR, a serial one ASRL/dev/ttyUSB0::INSTR"
            ) from error
        return text

    form = "an address such as TCPIP::192.0.2.10::5025::SOCKET"
    if found.addresses:
        form = f"a number of the list, or {form}"
    address = dialogue.ask(f"Where is the {what}: {form}", why, read)
    if address not in found.identities and dialogue.agrees(
        f"Ask {address} who it is now?",
        "a wrong address is noticed at once. It hears RF OFF first.",
        default=True,
    ):
        _ask(dialogue, found, address)
    # Maker and model are enough to notice a stranger; a firmware is updated now and then.
    return address, ",".join(found.identities.get(address, "").split(",")[:2])


def _ask(dialogue: Dialogue, found: Found, address: str) -> None:
    owner = owner_of(instrument_keys(address, resolved_hosts(address)))
    if owner is not None:
        dialogue.say(f"  It belongs to {owner}, and was not asked.")
        return
    answer: Answerer = who_answers(address)
    if answer.identity:
        found.identities[address] = answer.identity
        dialogue.say(f"  It answers: {answer.identity}")
    else:
        dialogue.say(f"  It did not say who it is: {answer.trouble}")
