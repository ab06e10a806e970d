"""The store as the event loop sees it: every call on one thread of its own."""

from __future__ import annotations

import asyncio
from collections.abc import Callable
from concurrent.futures import ThreadPoolExecutor
from typing import ParamSpec, TypeVar

import structlog

from benchd.store import StoreDamaged, StoreError, StoreFull, StoreReadOnly, StoreTooNew

_log = structlog.get_logger(__name__)

RETRY_S = (0.2, 0.5, 1.0, 2.0, 5.0)
MOST_RETRIES = 15

P = ParamSpec("P")
T = TypeVar("T")


class StoreThread:
    """Runs store calls and reductions off the event loop, one at a time, in order.

    trouble: what the store says keeps it from working; empty while it works.
    """

    def __init__(self) -> None:
        self.trouble = ""
        self._pool = ThreadPoolExecutor(max_workers=1, thread_name_prefix="store")

    async def call(self, function: Callable[P, T], *args: P.args, **kwargs: P.kwargs) -> T:
        """Run `function` on the store thread. A cancelled wait lets the call finish first.

        So that after a cancellation nothing of it is still under way.
        """
        loop = asyncio.get_running_loop()
        future = loop.run_in_executor(self._pool, lambda: function(*args, **kwargs))
        try:
            return await asyncio.shield(future)
        except asyncio.CancelledError:
            await asyncio.wait([future])
            raise

    async def patiently(self, function: Callable[P, T], *args: P.args, **kwargs: P.kwargs) -> T:
        """Run `function`; where the store can take nothing now, again and again.

        Nothing of a failed transaction was kept, so that it may be tried as it stands. A full or
        write-protected disk is waited for without end: somebody makes room, and what was measured
        is not lost. Other trouble (a backup holds the database) is given about a minute.
        Raises StoreError after that, and at once where waiting does not help.
        """
        attempt = 0
        while True:
            try:
                found = await self.call(function, *args, **kwargs)
            except (StoreDamaged, StoreTooNew):
                raise
            except StoreError as error:
                endless = isinstance(error, (StoreFull, StoreReadOnly))
                if attempt >= MOST_RETRIES and not endless:
                    raise
                wait_s = RETRY_S[min(attempt, len(RETRY_S) - 1)]
                attempt += 1
                self.trouble = str(error)
                _log.error("the store cannot be used now", error=str(error), next_try_s=wait_s)
                await asyncio.sleep(wait_s)
            else:
                self.trouble = ""
                return found

    def close(self) -> None:
        """Finish what is queued, then end the thread."""
        self._pool.shutdown(wait=True)
