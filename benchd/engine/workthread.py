"""A thread for work that may take long or never end, apart from the store and the event loop.

Reading a folder of recipes may hang for ever (a network folder whose server is gone). Resolving a
recipe of thousands of steps, or reducing a night again, takes seconds. Neither may delay the orders
that make things safer, or prevent the daemon from ending. So the thread is a daemon thread, which
is not waited for at the end.
"""

from __future__ import annotations

import asyncio
import queue
import threading
import time
from collections.abc import Callable
from contextlib import suppress
from typing import Any, ParamSpec, TypeVar

from benchd.errors import Busy
from benchd.rounding import about_words

P = ParamSpec("P")
T = TypeVar("T")


class WorkThread:
    """One thread that does one call after the other, with a limit on how many may wait.

    what: the kind of work, for messages: "reading the recipes".
    limit_s: longest time that a caller waits. The work itself cannot be stopped; until it ends,
        callers are refused as soon as they have waited that long.
    most_waiting: calls that may be under way or waiting; more are refused at once.
    """

    def __init__(self, what: str, *, limit_s: float, most_waiting: int = 8) -> None:
        self._what = what
        self._limit_s = limit_s
        self._most_waiting = most_waiting
        self._queue: queue.SimpleQueue[Callable[[], None]] = queue.SimpleQueue()
        self._lock = threading.Lock()
        self._pending = 0
        self._busy_since: float | None = None
        self._thread: threading.Thread | None = None

    async def call(self, function: Callable[P, T], *args: P.args, **kwargs: P.kwargs) -> T:
        """Run `function` on this thread. Raises Busy if it does not end in time."""
        loop = asyncio.get_running_loop()
        future: asyncio.Future[Any] = loop.create_future()

        def tell(set_it: Callable[[Any], None], outcome: Any) -> None:
            if not future.done():
                set_it(outcome)

        def work() -> None:
            # The caller has given up waiting and needs no answer.
            if future.done():
                return
            try:
                outcome, set_it = function(*args, **kwargs), future.set_result
            # Any error is passed on to the caller.
            except BaseException as error:
                outcome, set_it = error, future.set_exception  # type: ignore[assignment]
            # The event loop may have ended before work that hung returns.
            with suppress(RuntimeError):
                loop.call_soon_threadsafe(tell, set_it, outcome)

        self._hand_in(work)
        try:
            async with asyncio.timeout(self._limit_s):
                return await future  # type: ignore[no-any-return]
        except TimeoutError:
            raise Busy(
                f"{self._what} has not ended within {about_words(self._limit_s)}",
                advice="If it is a network folder, see whether its server answers. Else wait and "
                "ask again.",
            ) from None

    def _hand_in(self, work: Callable[[], None]) -> None:
        with self._lock:
            stuck = self._busy_since is not None and (
                time.monotonic() - self._busy_since > self._limit_s
            )
            if stuck or self._pending >= self._most_waiting:
                raise Busy(
                    f"{self._what} has not ended since it began"
                    if stuck
                    else f"{self._pending} calls wait for {self._what} already",
                    advice="Wait a little, then ask again.",
                )
            self._pending += 1
            if self._thread is None:
                self._thread = threading.Thread(
                    target=self._run, name=f"room for {self._what}", daemon=True
                )
                self._thread.start()
        self._queue.put(work)

    def _run(self) -> None:
        while True:
            work = self._queue.get()
            with self._lock:
                self._busy_since = time.monotonic()
            try:
                work()
            finally:
                with self._lock:
                    self._busy_since = None
                    self._pending -= 1
