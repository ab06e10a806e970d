"""Finding out whether the bench thread hangs.

Every wait for an instrument checks its stop flag each 50 ms, and then also increments a counter
here (a beat). So a long settling or a slow sweep beats all the time, and a call that never returns
does not.
"""

from __future__ import annotations

import asyncio
import threading
from collections.abc import Callable
from typing import TypeVar

T = TypeVar("T")

TICK_S = 1.0
HANGS_AFTER_TICKS = 30
"""Checks without a beat after which the thread counts as hanging. A host name that no server
resolves, or a serial port that opens slowly, may block for about 20 s without being a fault."""


class Pulse:
    """The counter of beats. It has no lock, since beating must cost no time and never wait."""

    def __init__(self) -> None:
        self.beats = 0
        self.working = False
        self._thread = 0

    def beat(self) -> None:
        """Count one beat. Only the thread that works may do so: if another thread's waits counted
        (the one that asks the lid's contact), a hanging bench thread would seem alive."""
        if threading.get_ident() == self._thread:
            self.beats += 1

    def watched(self, work: Callable[[], T]) -> Callable[[], T]:
        """The same work, wrapped so that this counter knows when it is running."""

        def alive() -> T:
            self._thread = threading.get_ident()
            self.beats += 1
            self.working = True
            try:
                return work()
            finally:
                self.working = False
                self.beats += 1

        return alive


class HangDetector:
    """Checks a pulse from the event loop.

    Time without beats is counted in checks and not in seconds. If the whole process was suspended,
    no checks were made either, so that the bench thread is not taken for hanging afterwards.
    """

    def __init__(self, pulse: Pulse) -> None:
        self._pulse = pulse
        self._seen = -1
        self.silent_ticks = 0

    @property
    def hangs(self) -> bool:
        """Whether the bench thread counts as hanging."""
        return self.silent_ticks >= HANGS_AFTER_TICKS

    def look(self) -> None:
        """Make one check. About TICK_S must have passed since the last."""
        if self._pulse.working and self._pulse.beats == self._seen:
            self.silent_ticks += 1
        else:
            self.silent_ticks = 0
        self._seen = self._pulse.beats

    async def until_it_hangs(self) -> None:
        """Check again and again; return when the bench thread hangs."""
        while not self.hangs:
            await asyncio.sleep(TICK_S)
            self.look()
