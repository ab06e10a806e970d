"""The tick of a live look: a reading of the daemon's clock, told to viewers and told back by them.

A "here" may lie about for seconds before it is read: in a slow proxy, or while the event loop is
held up. Its viewer may have gone meanwhile. So it counts from the newest tick that it names: it
cannot have been said before that tick was told, and its viewer was there when it was said.
"""

from __future__ import annotations

import time
from collections.abc import Callable

from benchd.errors import UserError

LARGEST_TICK = 2**53 - 1
"""The largest whole number that every reader of JSON takes as it is."""


class Ticks:
    """Ticks are whole milliseconds of a clock. Safe from any thread.

    clock: a monotonic clock, s.
    """

    def __init__(self, clock: Callable[[], float] = time.monotonic) -> None:
        self._clock = clock

    def now(self) -> int:
        """The tick that is told now. It is never ahead of the clock."""
        return int(self._clock() * 1e3)

    def told_at_s(self, tick: int | None) -> float | None:
        """When this tick was told, on the clock, s; None without one.

        Raises UserError for a tick that was not told yet.
        """
        if tick is None:
            return None
        if tick > self.now():
            raise UserError(
                f"tick {tick} was never told",
                where="seen",
                advice='Give the last "tick" that an answer or the stream of the live look told.',
            )
        return tick * 1e-3
