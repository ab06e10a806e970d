"""What is known of an instrument, for whoever asks how the bench stands."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime


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
