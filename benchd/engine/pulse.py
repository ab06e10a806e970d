"""Whether the bench thread makes progress. Waiting is progress; standing still is not.

Every wait for an instrument looks at its stop flag each 50 ms, and beats here when it does. So a
long settling or a slow sweep beats all the time, and a call that never comes back does not.
"""

from __future__ import annotations

import asyncio
from collections.abc import Callable
from typing import TypeVar

T = TypeVar("T")

TICK_S = 1.0
HANGS_AFTER_TICKS = 30
"""A name that no server resolves, or a serial port that opens late, may block for about 20 s."""


class Pulse:
    """Beats from the bench thread. A lone counter: nothing here may cost time or wait."""

    def __init__(self) -> None:
        self.beats = 0
        self.working = False

    def beat(self) -> None:
        """Something went on."""
        self.beats += 1

    def watched(self, work: Callable[[], T]) -> Callable[[], T]:
        """The same work, which says that it is under way."""

        def alive() -> T:
            self.beats += 1
            self.working = True
            try:
                return work()
            finally:
                self.working = False
                self.beats += 1

        return alive


class PulseMonitor:
    """Looks at a pulse from the event loop.

    Silence is counted in looks and not in seconds: where the whole process stood still (suspended,
    stopped), the first look after it finds a pulse that is no older than the look itself.
    """

    def __init__(self, pulse: Pulse) -> None:
        self._pulse = pulse
        self._seen = -1
        self.silent_ticks = 0

    @property
    def hangs(self) -> bool:
        """Whether the bench thread is to be given up."""
        return self.silent_ticks >= HANGS_AFTER_TICKS

    def look(self) -> None:
        """Take one look. About TICK_S must have passed since the last."""
        if self._pulse.working and self._pulse.beats == self._seen:
            self.silent_ticks += 1
        else:
            self.silent_ticks = 0
        self._seen = self._pulse.beats

    async def until_it_hangs(self) -> None:
        """Look again and again; ends when the bench thread hangs."""
        while not self.hangs:
            await asyncio.sleep(TICK_S)
            self.look()
