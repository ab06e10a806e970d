"""One live look: until when it may go on, and why it ended.

The bench thread asks `goes_on` before every point. It depends on nothing but clock and viewers, so
a look also ends where the event loop hangs and no "here" is heard any more.
"""

from __future__ import annotations

import threading
import time
from collections.abc import Callable
from dataclasses import dataclass
from typing import Literal

from benchd.engine.livelook.plan import LivePlan
from benchd.engine.livelook.request import DEFAULT_TIME_S
from benchd.engine.livelook.viewers import SILENT_AFTER_S, Viewers
from benchd.errors import BenchdError, Cancelled, OrderRefused
from benchd.rounding import duration_words

Reason = Literal["nobody-looks", "time-over", "by-order", "job", "stopping", "failed"]


@dataclass(frozen=True, slots=True)
class Ending:
    """Why a look ended, in words. family, where: of the error, where one ended it."""

    reason: Reason
    message: str
    advice: str = ""
    family: str = ""
    where: str = ""


class Look:
    """One live look. Safe from any thread.

    plan: what is done. viewers: who looks. for_s: how long RF may be on until somebody renews it.
    clock: a monotonic clock, s.
    """

    def __init__(
        self,
        plan: LivePlan,
        for_s: float = DEFAULT_TIME_S,
        *,
        clock: Callable[[], float] = time.monotonic,
    ) -> None:
        self.plan = plan
        self.for_s = for_s
        self.viewers = Viewers(clock)
        self._clock = clock
        self._lock = threading.Lock()
        self._ends_at = clock() + for_s
        self._ending: Ending | None = None
        self._ended_at: float | None = None

    @property
    def ending(self) -> Ending | None:
        """Why it ends; None while it may go on."""
        return self._ending

    def left_s(self) -> float:
        """Time until RF goes off unless somebody renews it, s."""
        return max(0.0, self._ends_at - self._clock())

    def renew(self) -> None:
        """A person wants the whole time again, from now on. Raises OrderRefused if it has
        ended."""
        with self._lock:
            if self._ending is not None:
                raise has_ended(self._ending)
            self._ends_at = self._clock() + self.for_s

    def leave(self, viewer: str) -> None:
        """A viewer leaves; the last one ends the look at once."""
        self.viewers.leave(viewer)
        self.goes_on()

    def goes_on(self) -> bool:
        """Whether RF may be on now. Once it may not, it never may again."""
        if self._ending is not None:
            return False
        if self.viewers.count() == 0:
            self.end(
                "nobody-looks",
                f"nobody looks any more: every viewer has left, or was silent for "
                f"{SILENT_AFTER_S:g} s",
            )
        elif self._clock() >= self._ends_at:
            self.end("time-over", f"its time of {duration_words(self.for_s)} is over")
        return self._ending is None

    def overdue_s(self) -> float:
        """For how long it should have ended, s; 0 while it may go on."""
        self.goes_on()
        return 0.0 if self._ended_at is None else self._clock() - self._ended_at

    def end(self, reason: Reason, message: str, advice: str = "") -> None:
        """End it for this reason, unless it has one already."""
        self._end(Ending(reason, message, advice))

    def fail(self, error: BenchdError) -> None:
        """An error has ended it, or came while it ended: then it is what people must hear of.

        A look that was broken off because it had ended keeps its reason.
        """
        if isinstance(error, Cancelled):
            self.end("stopping", error.message, error.advice)
            return
        ending = Ending("failed", error.message, error.advice, error.family, error.where)
        self._end(ending, instead=True)

    def _end(self, ending: Ending, *, instead: bool = False) -> None:
        with self._lock:
            if self._ending is None:
                self._ended_at = self._clock()
            if self._ending is None or instead:
                self._ending = ending


def has_ended(ending: Ending) -> OrderRefused:
    """The refusal of an order for a look that is over."""
    return OrderRefused(
        f"the live look has ended: {ending.message}",
        advice=ending.advice or "Prepare a new one.",
    )
