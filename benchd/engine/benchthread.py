"""The thread on which all communication with the instruments of a bench takes place."""

from __future__ import annotations

import asyncio
import threading
from collections.abc import Callable
from concurrent.futures import ThreadPoolExecutor
from typing import TypeVar

from benchd.engine.hang_detector import Pulse

T = TypeVar("T")


class BenchThread:
    """One thread for all I/O of one bench (two threads on one session give wrong answers)."""

    def __init__(
        self,
        name: str,
        stop: threading.Event,
        pulse: Pulse | None = None,
        closing: Callable[[], None] | None = None,
    ) -> None:
        """pulse: is informed when work begins and ends.

        closing: is called when a task that awaits work is cancelled, before the end of that work is
            awaited. Tasks are cancelled only when the daemon stops, and then waits must be short.
        """
        self._stop = stop
        self._pulse = pulse or Pulse()
        self._closing = closing
        self._pool = ThreadPoolExecutor(max_workers=1, thread_name_prefix=f"bench-{name}")

    async def run(self, work: Callable[[], T]) -> T:
        """Run `work` on the bench thread.

        If the awaiting task is cancelled, the rig's `stop` event is set, which ends any procedure
        within 0.1 s. The end of the work is then still awaited, so that a session is never used by
        two threads.
        """
        loop = asyncio.get_running_loop()
        future = loop.run_in_executor(self._pool, self._pulse.watched(work))
        try:
            return await asyncio.shield(future)
        except asyncio.CancelledError:
            self._stop.set()
            if self._closing is not None:
                self._closing()
            await asyncio.wait([future])
            raise

    def close(self) -> None:
        """Wait for the work at hand, then end the thread."""
        self._pool.shutdown(wait=True)
