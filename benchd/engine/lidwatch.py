"""The watch on the box's lid while RF may be on.

One thread asks the lid's contact ten times a second. No other thread uses that link meanwhile,
since two threads on one link would get each other's answers. The bench thread looks at the newest
answer each time it waits for an instrument, and between two exchanges. So a contact that answers
slowly (within its limit) does not delay a sweep, and a slow analyzer does not delay the question.
"""

from __future__ import annotations

import threading
import time
from collections.abc import Callable
from types import TracebackType

from benchd.acquire import require_lid
from benchd.bench import Bench
from benchd.bench.instruments import LidInstrument
from benchd.errors import LinkLost
from benchd.sweeps import Lid

ASK_EVERY_S = 0.1
"""Time between two questions for the lid."""


def contact_of(bench: Bench) -> tuple[str, float] | None:
    """Name of the lid's contact and how long it may take to answer, s; None without a contact."""
    lid = bench.box.lid if bench.box else None
    if lid is None:
        return None
    contact = bench.instruments[lid.instrument]
    assert isinstance(contact, LidInstrument)
    return lid.instrument, contact.answer_within_s


class LidWatch:
    """Watches the lid. It is called as a player's `cancel`, and returns True if the sweep must
    stop.

    name: the contact's name in the bench file.
    ask: asks the contact once and returns whether the lid is open. Its argument is a function that
        tells when to give up. It raises if the contact does not answer. Called by the watch's own
        thread.
    wanted: whether the lid must be open or closed.
    answer_within_s: the longest wait for an answer with RF on. After it the position of the lid is
        unknown, and the sweep ends as if the lid were in the wrong one.
    stop: tells whether the sweep must end for another reason; called by the bench thread only.
    hurry: set when the watch's thread must end at once.
    trouble: why the sweep must stop because of the lid; None if it need not.

    Used as a context manager. Just before, the lid must have been found as wanted.
    """

    def __init__(
        self,
        name: str,
        ask: Callable[[Callable[[], bool]], bool],
        wanted: Lid,
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
        """Wait for the outstanding answer, so that it is not taken for that of a later question."""
        self._end_at = time.monotonic() + self._answer_within_s
        self._ending.set()
        self._thread.join()

    def __call__(self) -> bool:
        """Whether the sweep must stop."""
        if self.trouble is not None or self._stop():
            return True
        # The time counts from the last answer, so that the sweep also ends if the thread hangs.
        if time.monotonic() - self._known_at > ASK_EVERY_S + self._answer_within_s:
            self.trouble = self.trouble or self._silent()
            return True
        return False

    def _watch(self) -> None:
        try:
            # It was found as wanted just before.
            self._ending.wait(self._known_at + ASK_EVERY_S - time.monotonic())
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
        """Whether the answer is not needed any more. Called by the watch's own thread."""
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
