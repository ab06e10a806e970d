"""Repeating RF off until every source has confirmed it.

A source whose link was lost while it radiated goes on radiating until it receives OFF. So OFF is
tried several times a second, whatever the job or the store are waiting for meanwhile. The source
is then off as soon as it can be reached again.
"""

from __future__ import annotations

import asyncio
import time
from typing import Any

import structlog

from benchd.engine.events import EventHub
from benchd.errors import BenchdError

_log = structlog.get_logger(__name__)

RETRY_S = 0.2
SAY_AGAIN_S = 30.0
"""Time between two log messages about the same trouble: a source may be without power all night."""


class RfOffRepeater:
    """Tries `rig.rf_off` on the bench thread until it succeeds."""

    def __init__(self, rig: Any, bench_thread: Any, hub: EventHub) -> None:
        self._rig = rig
        self._thread = bench_thread
        self._hub = hub
        self._trying = asyncio.Lock()
        self._said = ""
        self._say_after = 0.0

    async def until_off(self, *, quietly: bool = False) -> None:
        """Return when every source has confirmed OFF, without a time limit.

        quietly: log nothing if it succeeds at once.
        """
        async with self._trying:
            tried = 0
            while not await self._tried_once():
                tried += 1
                await asyncio.sleep(RETRY_S)
        if tried or not quietly:
            self._said = ""
            self._hub.publish("rf", {"off": True, "message": "RF off, verified by query"})

    async def keep_off(self) -> None:
        """Try again whenever something was left unconfirmed. Ends only by cancellation."""
        while True:
            await asyncio.sleep(RETRY_S)
            if self._rig.rf_not_verified():
                await self.until_off(quietly=True)

    async def _tried_once(self) -> bool:
        try:
            await self._thread.run(self._rig.rf_off)
        except Exception as error:
            self._say(error)
            return False
        return True

    def _say(self, error: Exception) -> None:
        text, now = str(error), time.monotonic()
        if text == self._said and now < self._say_after:
            return
        self._said, self._say_after = text, now + SAY_AGAIN_S
        if not isinstance(error, BenchdError):
            _log.error("a fault in benchd kept rf on", exc_info=error)
        _log.error("rf off not verified yet", error=text, next_try_s=RETRY_S)
        self._hub.publish("rf", {"off": None, "message": text})
