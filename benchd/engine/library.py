"""The store as the event loop sees it: every call on one thread of its own."""

from __future__ import annotations

import asyncio
from collections.abc import Callable
from concurrent.futures import ThreadPoolExecutor
from typing import ParamSpec, TypeVar

P = ParamSpec("P")
T = TypeVar("T")


class StoreThread:
    """Runs store calls and reductions off the event loop, one at a time, in order."""

    def __init__(self) -> None:
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

    def close(self) -> None:
        """Finish what is queued, then end the thread."""
        self._pool.shutdown(wait=True)
