"""The store as the event loop sees it: every call on one thread of its own."""

from __future__ import annotations

import asyncio
import heapq
import itertools
import threading
from collections.abc import Callable
from concurrent.futures import Future, ThreadPoolExecutor
from typing import ParamSpec, TypeVar

import structlog

from benchd.store import StoreDamaged, StoreError, StoreFull, StoreReadOnly, StoreTooNew
from drivers.retry import Retry

_log = structlog.get_logger(__name__)

FIRST_S, MOST_S, MOST_RETRIES = 0.2, 5.0, 15

P = ParamSpec("P")
T = TypeVar("T")


class StoreThread:
    """Runs store calls and reductions off the event loop, one at a time.

    In the order in which they came, but those of `call_first` ahead of all others.

    trouble: what the store says keeps it from working; empty while it works.
    """

    def __init__(self) -> None:
        self.trouble = ""
        self._pool = ThreadPoolExecutor(max_workers=1, thread_name_prefix="store")
        self._waiting: list[tuple[int, int, Callable[[], None]]] = []
        self._order = itertools.count()
        self._lock = threading.Lock()

    async def call(self, function: Callable[P, T], *args: P.args, **kwargs: P.kwargs) -> T:
        """Run `function` on the store thread. A cancelled wait lets the call finish first.

        So that after a cancellation nothing of it is still under way.
        """
        return await self._run(1, lambda: function(*args, **kwargs))

    async def call_first(self, function: Callable[P, T], *args: P.args, **kwargs: P.kwargs) -> T:
        """As `call`, ahead of whatever waits: for orders that make things safer."""
        return await self._run(0, lambda: function(*args, **kwargs))

    async def _run(self, rank: int, work: Callable[[], T]) -> T:
        loop = asyncio.get_running_loop()
        outcome: Future[T] = Future()

        def run() -> None:
            try:
                outcome.set_result(work())
            # Whatever it was, it belongs to the caller.
            except BaseException as error:
                outcome.set_exception(error)

        with self._lock:
            heapq.heappush(self._waiting, (rank, next(self._order), run))
        # One turn of the thread for each call; which call it carries out is decided when it runs.
        self._pool.submit(self._run_next)
        future = asyncio.wrap_future(outcome, loop=loop)
        try:
            return await asyncio.shield(future)
        except asyncio.CancelledError:
            await asyncio.wait([future])
            raise

    def _run_next(self) -> None:
        with self._lock:
            *_, work = heapq.heappop(self._waiting)
        work()

    async def patiently(self, function: Callable[P, T], *args: P.args, **kwargs: P.kwargs) -> T:
        """Run `function`; where the store can take nothing now, again and again.

        Nothing of a failed transaction was kept, so that it may be tried as it stands. A full or
        write-protected disk is waited for without end: somebody makes room, and what was measured
        is not lost. Other trouble (a backup holds the database) is given about a minute.
        Raises StoreError after that, and at once where waiting does not help.
        """
        retry = Retry(first_s=FIRST_S, most_s=MOST_S, tries=MOST_RETRIES, jitter=False)
        while True:
            try:
                found = await self.call(function, *args, **kwargs)
            except (StoreDamaged, StoreTooNew):
                raise
            except StoreError as error:
                endless = isinstance(error, (StoreFull, StoreReadOnly))
                if retry.spent and not endless:
                    raise
                wait_s = retry.next_s()
                self.trouble = str(error)
                _log.error("the store cannot be used now", error=str(error), next_try_s=wait_s)
                await asyncio.sleep(wait_s)
            else:
                self.trouble = ""
                return found

    def close(self) -> None:
        """Finish what is queued, then end the thread."""
        self._pool.shutdown(wait=True)
