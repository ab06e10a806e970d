"""How the virtual bench waits for its clients and for its own timers."""

from __future__ import annotations

import selectors
import time


class PreciseSelector(selectors.SelectSelector):
    """A selector for an event loop whose timers are exact to some tens of microseconds.

    The usual selector rounds up to a whole millisecond, which would distort settling and dwell. It
    also knows when it last returned, that is, when the messages arrived that are read next.
    """

    def __init__(self) -> None:
        super().__init__()
        self._woken_s = time.monotonic()

    def woken_s(self) -> float:
        """When it last returned, on the clock of `time.monotonic`, s."""
        return self._woken_s

    def select(self, timeout: float | None = None) -> list[tuple[selectors.SelectorKey, int]]:
        """Wait until something is ready or the time in s is over."""
        ready = super().select(timeout)
        self._woken_s = time.monotonic()
        return ready
