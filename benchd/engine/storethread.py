"""Calls of the store from the event loop, all on one thread of their own."""

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
    """Runs store calls and reductions on a thread, one at a time.

    They run in the order in which they came, except that those of `call_first` go before others.

    trouble: why the store cannot be used; empty while it works.
    """

    def __init__(self) -> None:
        self.trouble = ""
        self._pool = ThreadPoolExecutor(max_workers=1, thread_name_prefix="store")
        self._waiting: list[tuple[int, int, Callable[[], None]]] = []
        self._order = itertools.count()
        self._lock = threading.Lock()

    async def call(self, function: Callable[P, T], *args: P.args, **kwargs: P.kwargs) -> T:
        """Run `function` on the store thread.

        If the wait is cancelled, the call still finishes first, so that nothing runs on afterwards.
        """
        return await self._run(1, lambda: function(*args, **kwargs))

    async def call_first(self, function: Callable[P, T], *args: P.args, **kwargs: P.kwargs) -> T:
        """As `call`, but before all waiting calls: for orders that make things safer."""
        return await self._run(0, lambda: function(*args, **kwargs))

    async def _run(self, rank: int, work: Callable[[], T]) -> T:
        loop = asyncio.get_running_loop()
        outcome: Future[T] = Future()

        def run() -> None:
            try:
                outcome.set_result(work())
            # Any error is passed on to the caller.
            except BaseException as error:
                outcome.set_exception(error)

        with self._lock:
            heapq.heappush(self._waiting, (rank, next(self._order), run))
        # The thread gets one task for each call. Which call it carries out is chosen when it runs.
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
        """Run `function`; repeat it while the store cannot be written.

        A failed transaction leaves nothing behind, so it can be repeated. With a full or
        write-protected disk it is repeated without limit: a person can make room, and no
        measurement is lost. Other trouble (a backup locks the database) may last about a minute.
        Raises StoreError after that, and at once if waiting cannot help.
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
