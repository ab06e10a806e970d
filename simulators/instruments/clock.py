"""Simulated time: real time, real time at another pace, or as fast as possible."""

from __future__ import annotations

import time
from collections.abc import Callable

_MOST_HELD_S = 2e-3
"""So far back may an arrival lie; what takes longer, such as new physics, does take its time."""


class SimulatedClock:
    """Seconds since the start of the virtual workshop.

    `time_scale` is how many real seconds a simulated second takes: 1 is real time, 0.1 ten times
    faster. At 0 nobody waits: whoever has to wait until some time moves the clock there, and in
    between it runs with real time, so that elapsed time advances all the same.
    """

    def __init__(
        self, time_scale: float = 1.0, monotonic: Callable[[], float] = time.monotonic
    ) -> None:
        if not 0.0 <= time_scale <= 1000.0:
            raise ValueError(f"time scale {time_scale}: expected 0 (as fast as possible) to 1000")
        self.time_scale = time_scale
        self._monotonic = monotonic
        self._start_s = monotonic()
        self._skipped_s = 0.0
        self._held_s: float | None = None
        self.arrival_s: Callable[[], float] | None = None
        """When what is being looked at now arrived, by the same clock as `monotonic`."""

    @property
    def instant(self) -> bool:
        """Whether waiting takes no real time."""
        return self.time_scale == 0.0

    def now_s(self) -> float:
        """Simulated seconds since the start."""
        if self._held_s is not None:
            return self._held_s
        real_s = self._monotonic() - self._start_s
        return real_s + self._skipped_s if self.instant else real_s / self.time_scale

    def hold_at_arrival(self) -> None:
        """Stand still at the time of the last arrival, until `go_on`.

        Real instruments carry out messages at the same time, each by a processor of its own. Here
        one works for all of them, and what it needs for one must not make the others late.
        """
        if self.arrival_s is None or self.instant:
            return
        now_s = self._monotonic()
        arrived_s = max(self.arrival_s(), now_s - _MOST_HELD_S)
        self._held_s = (min(arrived_s, now_s) - self._start_s) / self.time_scale

    def go_on(self) -> None:
        """Run again after `hold_at_arrival`."""
        self._held_s = None

    def skip_to(self, time_s: float) -> None:
        """Move an instant clock forward; never back."""
        self._skipped_s += max(0.0, time_s - self.now_s())

    def real_delay_s(self, until_s: float) -> float:
        """Real seconds until a simulated time; never negative."""
        return max(0.0, (until_s - self.now_s()) * self.time_scale)
