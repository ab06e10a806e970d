"""Asking for the lid while an instrument is waited for.

`benchd.acquire.guarded` asks between two exchanges; a dwell or a swept trace may last long. The
player asks every 50 ms whether to stop while it waits for a reply, and this is what it asks.
"""

from __future__ import annotations

import time
from collections.abc import Callable

WATCH_INTERVAL_S = 0.05


class LidWatch:
    """Callable as a player's `cancel`: true where something calls for a stop.

    check: asks the lid's contact, and raises where the lid does not stand as it should or where
        the contact does not answer. Its links must not be the ones that are waited for.
    trouble: what `check` raised.
    """

    def __init__(self, stop: Callable[[], bool], check: Callable[[], None]) -> None:
        self._stop = stop
        self._check = check
        self._next = time.monotonic() + WATCH_INTERVAL_S
        self.trouble: Exception | None = None

    def __call__(self) -> bool:
        """Whether to stop."""
        if self.trouble is not None or self._stop():
            return True
        if time.monotonic() < self._next:
            return False
        try:
            self._check()
        except Exception as error:
            self.trouble = error
            return True
        self._next = time.monotonic() + WATCH_INTERVAL_S
        return False
