"""The watch on the box's lid while RF may be on.

One thread asks the lid's contact ten times a second, and nobody else uses that link meanwhile: two
that ask over one link take each other's answers. The bench thread looks at what was found each
time it waits for an instrument, and between two exchanges. So the contact may answer as slowly as
it likes within its limit, and a slow analyzer does not keep anybody from asking for the lid.
"""

from __future__ import annotations

import threading
import time
from collections.abc import Callable
from types import TracebackType
from typing import Literal

from benchd.acquire import require_lid
from benchd.bench import Bench
from benchd.bench.instruments import LidInstrument
from benchd.errors import LinkLost

ASK_EVERY_S = 0.1


def contact_of(bench: Bench) -> tuple[str, float] | None:
    """The lid's contact of a bench and how long it may take to answer, s; None without one."""
    lid = bench.box.lid if bench.box else None
    if lid is None:
        return None
    contact = bench.instruments[lid.instrument]
    assert isinstance(contact, LidInstrument)
    return lid.instrument, contact.answer_within_s


class LidWatch:
    """Callable as a player's `cancel`: true where something calls for a stop.

    name: the contact's name in the bench file.
    ask: asks the contact once and tells whether the lid is open. It is given what tells it to give
        up; it raises where the contact does not answer. Called by the watch's own thread.
    wanted: how the lid must stand.
    answer_within_s: the longest wait for an answer with RF on. Once it is over nobody knows how
        the lid stands, and the sweep ends as it does where the lid is open.
    stop: whether the sweep is to end for another reason; asked by the bench thread alone.
    hurry: set where the watch's thread must end at once.
    trouble: why the lid calls for a stop; None where it does not.

    Used as a context. The lid must have been found as it is wanted just before.
    """

    def __init__(
        self,
        name: str,
        ask: Callable[[Callable[[], bool]], bool],
        wanted: Literal["closed", "open"],
        answer_within_s: float,
        *,
        stop: Callable[[], bool],
        hurry: threading.Event,
    ) -> None:
        self.trouble: Exception | None = None
        self._name = name
        self._ask = ask
        self._wanted = wanted
        self._answer_within_s = answer_within_s
        self._stop = stop
        self._hurry = hurry
        self._known_at = time.monotonic()
        self._ending = threading.Event()
        self._end_at = float("inf")
        self._thread = threading.Thread(target=self._watch, name=f"lid-{name}", daemon=True)

    def __enter__(self) -> LidWatch:
        self._known_at = time.monotonic()
        self._thread.start()
        return self

    def __exit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        """Wait for the answer that is owed, so that no later question gets it."""
        self._end_at = time.monotonic() + self._answer_within_s
        self._ending.set()
        self._thread.join()

    def __call__(self) -> bool:
        """Whether to stop."""
        if self.trouble is not None or self._stop():
            return True
        # Counted from the last answer, so that it ends the sweep too if the thread hangs.
        if time.monotonic() - self._known_at > ASK_EVERY_S + self._answer_within_s:
            self.trouble = self.trouble or self._silent()
            return True
        return False

    def _watch(self) -> None:
        try:
            while not self._ending.is_set():
                asked_at = time.monotonic()
                is_open = self._ask(self._given_up)
                require_lid(is_open, self._wanted, where=self._name)
                self._known_at = time.monotonic()
                self._ending.wait(asked_at + ASK_EVERY_S - self._known_at)
        except Exception as error:
            if not self._ending.is_set():
                self.trouble = self.trouble or error

    def _given_up(self) -> bool:
        """Whether nobody needs the answer any more. Asked by the watch's own thread."""
        return self.trouble is not None or self._hurry.is_set() or time.monotonic() >= self._end_at

    def _silent(self) -> LinkLost:
        return LinkLost(
            f"did not answer within {self._answer_within_s:g} s, so nobody knows whether the lid "
            "is closed; RF may not stay on without that",
            where=self._name,
            advice="Check the contact and its cable. If it is only slow, raise `answer_within:` "
            "of this instrument in the bench file: RF stays on for as long after the lid was "
            "last known to be closed.",
        )
