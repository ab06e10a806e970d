"""Checking whether the database has all published events, and beginning a new epoch if not.

See `benchd.store.epochs` for what an epoch is. All methods but `contradiction` and `message` may
block: they run in the pump's own thread.
"""

from __future__ import annotations

import structlog

from benchd.publish.payloads import EpochMessage
from benchd.publish.published_numbers import PublishedNumbers
from benchd.store import Epoch, Mark, Store, why_no_successor

log = structlog.get_logger(__name__)


class NotSuccessor(Exception):
    """A mark that the broker keeps shows that this database lacks events which were published."""


class EpochCheck:
    """The epochs of one bench in one database."""

    def __init__(self, store: Store, bench: str) -> None:
        self._store = store
        self._bench = bench
        self._marks: PublishedNumbers | None = None
        self._known: list[Epoch] = []
        self._brokers_word_counts = True

    @property
    def current(self) -> Epoch:
        """The epoch that counts. Valid after `check`."""
        return self._known[-1]

    def check(self) -> None:
        """At the start: look at the marks, and begin a new epoch if they demand it."""
        self._known = self._store.epochs(self._bench)
        if self._marks is None:
            self._marks = PublishedNumbers(self._store.file, self._bench)
        for mark in self._marks.read(self._known):
            if reason := why_no_successor(self._known, mark):
                self._begin(reason)
                return
        # Written at the start too, so that an unusable folder is reported now and not later.
        self._marks.write(self._known)

    def hand_out(self, sequence: int) -> None:
        """Note, before events up to this number are sent: in the database, then outside it."""
        if sequence <= self.current.handed:
            return
        assert self._marks is not None
        self._store.hand_out(self._bench, sequence)
        self._known = self._store.epochs(self._bench)
        self._marks.write(self._known)

    def contradiction(self, mark: Mark) -> str:
        """How a broker's retained mark contradicts this database; empty if it does not.

        It is heeded once in each run of the daemon. Else two daemons of one name would begin epochs
        in turn for ever.
        """
        reason = why_no_successor(self._known, mark)
        if reason and not self._brokers_word_counts:
            log.error("two databases publish for one bench", bench=self._bench, reason=reason)
            return ""
        return reason

    def begin_by_broker(self, reason: str) -> None:
        """Begin a new epoch because of a mark that a broker keeps."""
        self._brokers_word_counts = False
        self._begin(reason)

    def _begin(self, reason: str) -> None:
        assert self._marks is not None
        before = self.current
        after = self._store.begin_epoch(self._bench, reason)
        self._known = self._store.epochs(self._bench)
        self._marks.write(self._known)
        log.warning(
            "a new epoch of events begins",
            bench=self._bench,
            epoch=after.epoch,
            epoch_first=after.first,
            before=before.epoch,
            reason=reason,
        )

    def message(self) -> EpochMessage:
        """The message on the topic `epoch`."""
        current = self.current
        return EpochMessage(
            bench=self._bench,
            epoch=current.epoch,
            epoch_first=current.first,
            sequence=current.handed,
            began_at=current.began_at,
            before=self._known[-2].epoch if len(self._known) > 1 else None,
            reason=current.reason,
        )
