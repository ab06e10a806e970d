"""Setting the switches for the next capture while the last one is stored.

A switch takes some ten milliseconds to close, storing a capture takes nearly as long, and neither
needs the other. RF is off meanwhile, as the sources have just said.
"""

from __future__ import annotations

import asyncio
from collections.abc import AsyncIterator
from contextlib import asynccontextmanager
from functools import partial

import structlog

from benchd.engine.benchthread import BenchThread
from benchd.engine.rig import Rig
from benchd.errors import BenchdError
from benchd.worksheet import CaptureStep

_log = structlog.get_logger(__name__)


@asynccontextmanager
async def switching_ahead(
    thread: BenchThread, rig: Rig, upcoming: CaptureStep | None
) -> AsyncIterator[None]:
    """While this context is open, set the switches for the capture that follows; None: for none.

    It is left when they are set. If that fails, the capture itself sets them again, and tells of
    it.
    """
    if upcoming is None or not upcoming.switching:
        yield
        return
    setting = asyncio.create_task(
        thread.run(partial(rig.switch_ahead, upcoming.switching)), name="switching ahead"
    )
    try:
        yield
    except asyncio.CancelledError:
        # The daemon stops; so does a switch that does not answer.
        setting.cancel()
        raise
    finally:
        await asyncio.wait({setting})
        failure = None if setting.cancelled() else setting.exception()
        if failure is not None:
            if not isinstance(failure, BenchdError):
                raise failure
            _log.info("switches not set ahead", error=str(failure))
