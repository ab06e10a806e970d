"""Who is looking: RF stays on only while at least one of them has lately said "here".

An open connection is no viewer: it stays open while its owner sleeps, or after a cable was pulled.
"""

from __future__ import annotations

import secrets
import threading
import time
from collections.abc import Callable

from benchd.errors import Busy, UnknownId

SILENT_AFTER_S = 10.0
"""A viewer that has said nothing for so long has gone, and RF is off by then."""

SWITCHING_OFF_S = 0.5
"""Part of that time that is left for switching off."""

MOST_VIEWERS = 20


class Viewers:
    """The viewers of one live look, by ids that only their owners know. Safe from any thread.

    clock: a monotonic clock, s.
    """

    def __init__(self, clock: Callable[[], float] = time.monotonic) -> None:
        self._clock = clock
        self._lock = threading.Lock()
        self._heard_at: dict[str, float] = {}

    def join(self) -> str:
        """A new viewer; returns its id. Raises Busy where there are too many."""
        with self._lock:
            self._forget_the_silent()
            if len(self._heard_at) >= MOST_VIEWERS:
                raise Busy(
                    f"{MOST_VIEWERS} viewers look already",
                    advice="Close one of them; a viewer that is silent for "
                    f"{SILENT_AFTER_S:g} s makes room by itself.",
                )
            viewer = f"viewer-{secrets.token_hex(16)}"
            self._heard_at[viewer] = self._clock()
            return viewer

    def here(self, viewer: str) -> None:
        """This viewer still looks. Raises UnknownId for one that never joined, left, or was silent
        for too long: it must join again."""
        with self._lock:
            self._forget_the_silent()
            if viewer not in self._heard_at:
                raise UnknownId(
                    "this viewer is not known: it never joined, has left, or was silent for more "
                    f"than {SILENT_AFTER_S:g} s.",
                    advice="Join the live look again.",
                )
            self._heard_at[viewer] = self._clock()

    def leave(self, viewer: str) -> None:
        """This viewer looks no more. An unknown one changes nothing."""
        with self._lock:
            self._heard_at.pop(viewer, None)

    def count(self) -> int:
        """How many look now."""
        with self._lock:
            self._forget_the_silent()
            return len(self._heard_at)

    def _forget_the_silent(self) -> None:
        now = self._clock()
        for viewer, heard_at in list(self._heard_at.items()):
            if now - heard_at >= SILENT_AFTER_S - SWITCHING_OFF_S:
                del self._heard_at[viewer]
