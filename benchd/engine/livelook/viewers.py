"""Who is looking: RF stays on only while at least one of them has lately said "here".

An open connection is no viewer: it stays open while its owner sleeps, or after a cable was pulled.
A "here" counts from when it can have been said at the earliest, not from when it was read.
"""

from __future__ import annotations

import secrets
import threading
import time
from collections.abc import Callable
from dataclasses import dataclass

from benchd.errors import Busy, OrderRefused, UnknownId

SILENT_AFTER_S = 10.0
"""A viewer that has said nothing for so long has gone, and RF is off by then."""

SWITCHING_OFF_S = 0.5
"""Part of that time that is left for switching off."""

_GONE_AFTER_S = SILENT_AFTER_S - SWITCHING_OFF_S

MOST_VIEWERS = 20


@dataclass(slots=True)
class _Viewer:
    """heard_at: until when it is sure to have been there, s. answered_at: when it was last
    answered, s."""

    heard_at: float
    answered_at: float


class Viewers:
    """The viewers of one live look, by ids that only their owners know. Safe from any thread.

    clock: a monotonic clock, s.
    """

    def __init__(self, clock: Callable[[], float] = time.monotonic) -> None:
        self._clock = clock
        self._lock = threading.Lock()
        self._viewers: dict[str, _Viewer] = {}

    def join(self, said_at: float | None = None) -> str:
        """A new viewer; returns its id. Raises Busy where there are too many.

        said_at: the viewer was there then, s on the clock; without it, now. Raises OrderRefused
        where that is so long ago that nobody may be there any more.
        """
        with self._lock:
            now = self._clock()
            if said_at is not None and now - said_at >= _GONE_AFTER_S:
                raise OrderRefused(
                    f"this came {now - said_at:.0f} s after it can have been sent, and whoever "
                    "sent it may have gone",
                    advice="Ask again.",
                )
            self._forget_the_silent()
            if len(self._viewers) >= MOST_VIEWERS:
                raise Busy(
                    f"{MOST_VIEWERS} viewers look already",
                    advice="Close one of them; a viewer that is silent for "
                    f"{SILENT_AFTER_S:g} s makes room by itself.",
                )
            viewer = f"viewer-{secrets.token_hex(16)}"
            self._viewers[viewer] = _Viewer(now if said_at is None else said_at, now)
            return viewer

    def here(self, viewer: str, said_at: float | None = None) -> None:
        """This viewer still looks. Raises UnknownId for one that never joined, left, or was silent
        for too long: it must join again.

        said_at: the viewer was there then, s on the clock. Without it, since it was last answered:
        who waits for each answer cannot have said this before.
        """
        with self._lock:
            self._forget_the_silent()
            known = self._viewers.get(viewer)
            if known is None:
                raise UnknownId(
                    "this viewer is not known: it never joined, has left, or was silent for more "
                    f"than {SILENT_AFTER_S:g} s.",
                    advice="Join the live look again.",
                )
            said_at = known.answered_at if said_at is None else said_at
            known.heard_at = max(known.heard_at, said_at)
            known.answered_at = self._clock()

    def leave(self, viewer: str) -> None:
        """This viewer looks no more. An unknown one changes nothing."""
        with self._lock:
            self._viewers.pop(viewer, None)

    def count(self) -> int:
        """How many look now."""
        with self._lock:
            self._forget_the_silent()
            return len(self._viewers)

    def _forget_the_silent(self) -> None:
        now = self._clock()
        for viewer, known in list(self._viewers.items()):
            if now - known.heard_at >= _GONE_AFTER_S:
                del self._viewers[viewer]
