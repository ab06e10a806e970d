"""The reasons to stop a running job in the middle of a step: its withdrawal, the end of its window,
the end of a trim session, and a reduction that has failed meanwhile."""

from __future__ import annotations

import asyncio
import threading
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from datetime import UTC, datetime, tzinfo
from typing import Any, Literal

from benchd.errors import BenchdError, Cancelled, WindowClosed
from benchd.moments import time_words
from benchd.store import JobRow
from benchd.worksheet import Worksheet

LOOK_S = 0.25
"""Time between two looks at the wall clock. One long sleep would miss that the clock was set."""

Reason = Literal["", "withdrawn", "window", "stopped", "reduction"]


class Halt:
    """Whether the running job must stop, and why. Used on the event loop only.

    stop: the rig's flag, which ends a procedure on the bench thread within a tenth of a second.
    woken: set by `ready` and by every reason to stop, to end the wait for a person's answer.
    """

    def __init__(self, stop: threading.Event) -> None:
        self._stop = stop
        self.woken = asyncio.Event()
        self.reason: Reason = ""

    def begin(self) -> None:
        """Begin a new job, with no reason to stop."""
        self.reason = ""
        self._stop.clear()
        self.woken.clear()

    def withdraw(self) -> None:
        """Stop because a person has withdrawn the job. This reason replaces any other."""
        self._end("withdrawn")

    def stop_session(self) -> None:
        """Stop a trim session because a person has ended it. A withdrawal goes before it."""
        self._end(self.reason if self.reason == "withdrawn" else "stopped")

    def close_window(self) -> None:
        """Stop because the window of the job has closed."""
        self._end(self.reason or "window")

    def reduction_failed(self) -> None:
        """Stop because a reduction of the job has failed."""
        self._end(self.reason or "reduction")

    def _end(self, reason: Reason) -> None:
        self.reason = reason
        self._stop.set()
        self.woken.set()

    def check(self) -> None:
        """Raise Cancelled if the job must stop."""
        if self.reason:
            raise Cancelled(self.reason)

    async def pause(self, seconds: float) -> None:
        """Sleep, but raise Cancelled as soon as the job must stop."""
        loop = asyncio.get_running_loop()
        deadline = loop.time() + seconds
        while not self.reason and (left := deadline - loop.time()) > 0:
            await asyncio.sleep(min(0.05, left))
        self.check()


def told_as(error: Exception, job_id: str, advice: str) -> tuple[str, dict[str, Any]]:
    """What ended a job in words, and as the document that is stored with it.

    advice: what a person can do where it is a fault in benchd.
    """
    if isinstance(error, BenchdError):
        return str(error), dict(error.as_dict())
    message = f"a fault in benchd: {type(error).__name__}: {error}"
    detail = {"family": "fault", "where": job_id, "message": message, "advice": advice}
    return message, detail


@contextmanager
def watched(closes_at: datetime | None, on_close: Callable[[], None]) -> Iterator[None]:
    """Call `on_close` once when the wall clock reaches `closes_at`; None never closes."""
    if closes_at is None:
        yield
        return
    watch = asyncio.create_task(_at(closes_at, on_close), name="window")
    try:
        yield
    finally:
        watch.cancel()


async def _at(moment: datetime, call: Callable[[], None]) -> None:
    while (left := (moment - datetime.now(UTC)).total_seconds()) > 0:
        await asyncio.sleep(min(LOOK_S, left))
    call()


def window_closed(
    job: JobRow, worksheet: Worksheet | None, step_index: int, zone: tzinfo
) -> BenchdError:
    """The reason in words: the job's step when its window closed, and the time in the bench's
    zone."""
    assert job.finish_by is not None
    place = f"step {step_index + 1} of {job.steps_total}"
    if worksheet is not None and step_index < len(worksheet.steps):
        place = f"{place} ({worksheet.steps[step_index].label})"
    closes = time_words(job.finish_by, zone)
    return WindowClosed(
        f"the window closed at {closes} and the job was at {place}",
        advice="Its captures are kept. Queue it again with a longer window, or reduce what there "
        "is.",
    )
