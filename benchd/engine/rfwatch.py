"""The state of RF: whether it is verified off, by which sources' answers, and since when.

The rig updates it on the bench thread whenever it has asked the sources, and just before one may
radiate. All other parts of the program only read it, from any thread.
"""

from __future__ import annotations

import threading
from collections.abc import Callable, Collection, Iterable
from dataclasses import dataclass, replace
from datetime import UTC, datetime
from pathlib import Path
from typing import Literal

OFF_VERIFIED: Literal["off-verified"] = "off-verified"
NOT_VERIFIED: Literal["not-verified"] = "not-verified"
ON: Literal["on"] = "on"

MOST_FILES = 2
"""Files of the record that are told one by one."""


@dataclass(frozen=True, slots=True)
class RfState:
    """What is known of RF.

    state: `off-verified` if every source has answered that its output is off; `on` while a sweep
        may radiate; `not-verified` if a source has not confirmed that it is off.
    since: when the state began. at: when the sources were last asked, with this outcome.
    sources: the instruments concerned; for `not-verified`, those that have not confirmed OFF.
    asking: True after a start until the sources have been asked for the first time.
    radiates: for `on`, frequency and level of what is sent, in words; empty where unknown.
    """

    state: Literal["off-verified", "not-verified", "on"]
    since: datetime
    at: datetime
    sources: tuple[str, ...]
    message: str
    advice: str
    asking: bool = False
    radiates: str = ""


class RfWatch:
    """Keeps the present state and tells of its changes. Safe to use from any thread."""

    def __init__(self, clock: Callable[[], datetime] = lambda: datetime.now(UTC)) -> None:
        self._clock = clock
        self._lock = threading.Lock()
        self._listeners: list[Callable[[], None]] = []
        self._left_over = self._record_of_them = ""
        now = clock()
        self._now = RfState(
            NOT_VERIFIED, now, now, (),
            "benchd has just started and is asking the sources whether they are off",
            "Wait for the answer, or switch the sources off by hand.",
            asking=True,
        )  # fmt: skip

    @property
    def now(self) -> RfState:
        """The present state."""
        return self._now

    def leave_over(self, others: Iterable[str], files: Collection[Path] = ()) -> None:
        """Sources that an earlier run left on record, that are not of this bench, and that have not
        said that they are off. Whoever reads that RF is off is told of them too.

        files: the files of the record that name them.
        """
        self._left_over = ", ".join(others)
        if len(files) > MOST_FILES:
            folders = sorted({str(file.parent) for file in files})
            self._record_of_them = f"the rf-sources.*.json that name it in {' and '.join(folders)}"
        else:
            self._record_of_them = " and ".join(str(file) for file in files)

    def off_verified(self, sources: Iterable[str]) -> None:
        """All sources have answered that they are off."""
        said, advice = "RF is off; every source has said so when asked", ""
        if self._left_over:
            said = (
                "RF is off on this bench. An earlier run has left on record, and nobody knows of: "
                f"{self._left_over}."
            )
            advice = "Switch that off by hand if it is still there; each start asks it again."
            if self._record_of_them:
                advice += (
                    " Where it is gone for good, or has another address now, stop benchd and "
                    f"remove {self._record_of_them}."
                )
        self._tell(OFF_VERIFIED, sources, said, advice)

    def on(self, sources: Iterable[str], radiates: str = "") -> None:
        """A sweep that may radiate begins. radiates: frequency and level of it, in words."""
        self._tell(
            ON,
            sources,
            "a sweep is under way and RF may be on",
            "Keep the box closed until it ends.",
            radiates,
        )

    def not_verified(self, sources: Iterable[str], reason: str) -> None:
        """These sources have not confirmed that they are off. reason: why, in words."""
        names = tuple(sources)
        which = ", ".join(names) or "the source"
        self._tell(
            NOT_VERIFIED, names, f"RF is NOT verified off: {reason}",
            f"Keep away from open ports and antennas. Switch {which} off by hand, or pull the "
            "mains plug. benchd keeps trying to switch it off.",
        )  # fmt: skip

    def listen(self, listener: Callable[[], None]) -> Callable[[], None]:
        """Have `listener` called after every change, in the thread that made it.

        It must be quick and must not raise. Returns a function that removes it again.
        """
        self._listeners.append(listener)
        return lambda: self._listeners.remove(listener)

    def _tell(
        self,
        state: Literal["off-verified", "not-verified", "on"],
        sources: Iterable[str],
        message: str,
        advice: str,
        radiates: str = "",
    ) -> None:
        with self._lock:
            before, at = self._now, self._clock()
            since = before.since if before.state == state and not before.asking else at
            after = RfState(state, since, at, tuple(sources), message, advice, radiates=radiates)
            self._now = after
        if replace(after, at=before.at) != before:
            for listener in tuple(self._listeners):
                listener()
