"""A look that starts when the lid is closed: seeing that it was opened, and closed again for good.

Only a trim session that was begun so has this watch, and only while it asks for a look. RF is off
all the time. A lid that has not been seen open since the request was made starts nothing: nobody
has had hands in the box then, and nobody has asked for a look. A contact that bounces, or that does
not answer, begins the count again.
"""

from __future__ import annotations

import asyncio
import time
from collections.abc import AsyncIterator, Awaitable, Callable
from contextlib import asynccontextmanager, suppress

import structlog

from benchd.engine.lidwatch import ASK_EVERY_S
from benchd.errors import BenchdError

_log = structlog.get_logger(__name__)

STEADY_S = 1.0
"""How long the contact must say "closed" without a break. Longer than any bounce, and long enough
to take the hand off the lid."""
AFTER_SILENCE_S = 1.0


class LidStart:
    """Counts what the contact says, with the time of each answer; pure."""

    def __init__(self, steady_s: float = STEADY_S) -> None:
        self._steady_s = steady_s
        self._was_open = False
        self._closed_since: float | None = None

    def said(self, is_open: bool | None, at_s: float) -> bool:
        """Take one answer (None: no answer) and return whether the look is to start now."""
        if is_open is None:
            self._closed_since = None
            return False
        if is_open:
            self._was_open, self._closed_since = True, None
            return False
        if self._closed_since is None:
            self._closed_since = at_s
        return self._was_open and at_s - self._closed_since >= self._steady_s


@asynccontextmanager
async def started_by_lid(
    is_open: Callable[[Callable[[], bool]], Awaitable[bool]], start: Callable[[], Awaitable[None]]
) -> AsyncIterator[None]:
    """While the body runs, ask the contact and call `start` once the lid was opened and closed.

    is_open: asks the contact once. Its argument tells when the answer is not needed any more.
    Raises BenchdError if the contact does not answer.

    The watch is asked to end and is never cancelled: a cancelled question would be taken for the
    end of the daemon (`BenchThread.run`).
    """
    ended = asyncio.Event()
    watch = asyncio.create_task(_watch(is_open, start, ended), name="lid starts a look")
    try:
        yield
    finally:
        ended.set()
        await watch


async def _watch(
    is_open: Callable[[Callable[[], bool]], Awaitable[bool]],
    start: Callable[[], Awaitable[None]],
    ended: asyncio.Event,
) -> None:
    seen = LidStart()
    silent = False
    while not ended.is_set():
        answer: bool | None = None
        try:
            answer = await is_open(ended.is_set)
        except BenchdError as error:
            if not silent and not ended.is_set():
                _log.warning("the lid's contact starts no look", error=str(error))
        silent = answer is None
        if seen.said(answer, time.monotonic()) and not ended.is_set():
            await start()
            return
        with suppress(TimeoutError):
            await asyncio.wait_for(ended.wait(), AFTER_SILENCE_S if silent else ASK_EVERY_S)
