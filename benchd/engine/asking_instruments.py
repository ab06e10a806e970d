"""Asking every instrument whether it answers, when a person wants to know.

What the daemon knows of an instrument is as old as its last answer: one that has lost its power
since then still counts as ready. The instruments are asked only while no job runs and RF is
verified off. A question must not come between the messages of a sweep, and must not delay an OFF
that is being repeated.
"""

from __future__ import annotations

import asyncio
from functools import partial
from typing import Any

import structlog

from benchd.engine.dialect_test import DialectTest
from benchd.engine.livelook.looks import LiveLooks
from benchd.engine.runner import Runner
from benchd.errors import BenchdError, OrderRefused, UnknownId

_log = structlog.get_logger(__name__)

ASK_FOR_S = 20.0
"""Longest wait for all instruments together; then the states known so far are given."""


class InstrumentCalls:
    """Asks each instrument of a rig on the bench thread, one at a time."""

    def __init__(
        self, rig: Any, bench_thread: Any, runner: Runner, looks: LiveLooks | None = None
    ) -> None:
        self._rig = rig
        self._thread = bench_thread
        self._runner = runner
        self._looks = looks
        self._asking: asyncio.Task[None] | None = None

    async def ask(self) -> bool:
        """Ask all instruments; False if a running job, a live look, or RF that is not verified off
        forbids it.

        Callers at the same time share one round of questions. A caller may give up waiting; the
        work on the bench thread then continues, and only the daemon's end stops it.
        """
        if not self._may_ask():
            return False
        if self._asking is None or self._asking.done():
            self._asking = asyncio.create_task(self._ask_all(), name="ask the instruments")
        await asyncio.wait({self._asking}, timeout=ASK_FOR_S)
        return True

    async def test(self, name: str) -> dict[str, Any]:
        """Try which commands one instrument takes, with RF off; see `engine.dialect_test`.

        Raises UnknownId, and OrderRefused while a job or a live look is under way.
        """
        known = self._rig.bench.instruments
        if name not in known:
            raise UnknownId(
                f'there is no instrument "{name}".', advice=f"There are: {', '.join(known)}."
            )
        self._require_rest()
        found: dict[str, Any] = await self._thread.run(partial(self._test_now, name))
        return found

    def _test_now(self, name: str) -> dict[str, Any]:
        """On the bench thread, where a job that has begun meanwhile would stand behind this."""
        self._require_rest()
        return DialectTest(self._rig).run(name)

    def _require_rest(self) -> None:
        busy = self._runner.job_id
        if busy is None and self._looks is not None and self._looks.busy:
            busy = "a live look"
        if busy is not None:
            raise OrderRefused(
                f"{busy} is under way; instruments are tried while nothing runs.",
                advice="Try again when it has ended, or end it.",
            )

    def _may_ask(self) -> bool:
        if self._looks is not None and self._looks.busy:
            return False
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
