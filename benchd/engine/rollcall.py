"""Asking every instrument whether it is there, when a person wants to know.

What the daemon knows of an instrument is as old as its last answer: one that lost its power since
still counts as ready. Asked is only while no job is under way and RF is verified off: a question
must come neither between the messages of a sweep nor before an OFF that is being tried again.
"""

from __future__ import annotations

import asyncio
from functools import partial
from typing import Any

import structlog

from benchd.engine.runner import Runner
from benchd.errors import BenchdError

_log = structlog.get_logger(__name__)

ASK_FOR_S = 20.0
"""Who asks waits no longer for all instruments together; those that were reached are told."""


class RollCall:
    """Asks each instrument of a rig on the bench thread, one at a time."""

    def __init__(self, rig: Any, bench_thread: Any, runner: Runner) -> None:
        self._rig = rig
        self._thread = bench_thread
        self._runner = runner
        self._asking: asyncio.Task[None] | None = None

    async def ask(self) -> bool:
        """Ask all that can be asked now; False where a job or RF in doubt forbids it.

        Whoever asks while others are asking shares their answers. Giving up the wait ends nothing
        on the bench thread: its work is only ever stopped by the daemon's end.
        """
        if not self._may_ask():
            return False
        if self._asking is None or self._asking.done():
            self._asking = asyncio.create_task(self._ask_all(), name="ask the instruments")
        await asyncio.wait({self._asking}, timeout=ASK_FOR_S)
        return True

    def _may_ask(self) -> bool:
        return self._runner.job_id is None and not self._rig.rf_not_verified()

    async def _ask_all(self) -> None:
        for name in self._rig.bench.instruments:
            if not self._may_ask():
                return
            try:
                # One at a time, so that RF off or a job waits for one answer at most.
                await self._thread.run(partial(self._rig.ask, name))
            except BenchdError as error:
                _log.warning("instrument does not answer", instrument=name, error=str(error))
            except Exception:
                _log.exception("a fault in benchd ended a question", instrument=name)
