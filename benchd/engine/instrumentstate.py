"""The state of an instrument as far as the daemon knows it, for people and programs that ask."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import UTC, datetime

from benchd.bench.instruments import Instrument
from drivers.link import Link


@dataclass(frozen=True, slots=True)
class InstrumentState:
    """What is known of one instrument now. `state`: `ready`, `lost` or `not-opened`.

    answered_at: when it last answered anything, since the daemon's start.
    """

    name: str
    kind: str
    driver: str
    address: str
    identity: str
    state: str
    message: str
    answered_at: datetime | None = None


def state_of(name: str, instrument: Instrument, link: Link | None, fault: str) -> InstrumentState:
    """What is known of one instrument without asking it.

    link: its session, None before the first. fault: what went wrong with it last; "" for nothing.
    """
    is_open = link is not None and link.connected
    answered_s = None if link is None else link.answered_at_s
    return InstrumentState(
        name=name,
        kind=instrument.kind,
        driver=instrument.driver,
        address=instrument.address,
        identity="" if link is None else link.identity,
        state="ready" if is_open else "lost" if fault else "not-opened",
        message=fault,
        answered_at=None if answered_s is None else datetime.fromtimestamp(answered_s, UTC),
    )
