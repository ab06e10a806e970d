"""What really happened: when each output radiated, and when its instrument could hear orders.

The simulated instruments write it themselves, so tests need not trust what a client reports. Times
are those of `time.monotonic`, which on one computer is the same clock for every process.
"""

from __future__ import annotations

import time
from collections.abc import Callable

RF, HEARS = "rf", "hears"
_MOST_ENTRIES = 200_000


class Record:
    """Changes of `rf` and `hears` by instrument, in the order in which they happened.

    An instrument begins with RF off, and "hears", which means that a client could switch it off. It
    does not hear while it refuses connections, or while it disregards commands about its output. A
    blocked connection does not count, since a client may open a new one.
    """

    def __init__(self, monotonic: Callable[[], float] = time.monotonic) -> None:
        self._monotonic = monotonic
        self._entries: list[tuple[float, str, str, bool]] = []
        self._now: dict[tuple[str, str], bool] = {}

    def note(self, instrument: str, what: str, value: bool) -> None:
        """Add a change; nothing is added if the state is the same as before."""
        if self._now.get((instrument, what), what == HEARS) == value:
            return
        self._now[(instrument, what)] = value
        if len(self._entries) < _MOST_ENTRIES:
            self._entries.append((self._monotonic(), instrument, what, value))

    def entries(self, since_s: float = 0.0) -> list[list[object]]:
        """[time, instrument, "rf" or "hears", true or false], from a time on; JSON-able."""
        return [list(entry) for entry in self._entries if entry[0] >= since_s]

    def now_s(self) -> float:
        """The present time on the record's clock."""
        return self._monotonic()
