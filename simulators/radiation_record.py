"""What really happened: when each output radiated, and when its instrument could hear orders.

Written down by the instruments themselves, so that nobody has to believe what a client says. Times
are those of `time.monotonic`, which on one computer is the same clock for every process.
"""

from __future__ import annotations

import time
from collections.abc import Callable

RF, HEARS = "rf", "hears"
_MOST_ENTRIES = 200_000


class Record:
    """Changes of `rf` and `hears` by instrument, in the order in which they happened.

    An instrument begins with RF off, and hears. It does not hear while it refuses connections, nor
    while it disregards orders about its output. Links that take no bytes any more are no reason:
    whoever opens a new one is heard.
    """

    def __init__(self, monotonic: Callable[[], float] = time.monotonic) -> None:
        self._monotonic = monotonic
        self._entries: list[tuple[float, str, str, bool]] = []
        self._now: dict[tuple[str, str], bool] = {}

    def note(self, instrument: str, what: str, value: bool) -> None:
        """Write a change down; what stands already is no change."""
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
