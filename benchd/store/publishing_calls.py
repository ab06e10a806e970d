"""What publishing asks of the store: the outbox and the epochs."""

from __future__ import annotations

from abc import ABC, abstractmethod
from collections.abc import Callable, Sequence
from contextlib import AbstractContextManager
from datetime import datetime
from pathlib import Path

from sqlalchemy import Connection

from benchd.store import epochs, outbox
from benchd.store.database import Database
from benchd.store.epochs import Epoch
from benchd.store.outbox import OutboxRow


class PublishingCalls(ABC):
    """The part of `benchd.store.Store` that publishing uses; what holds for that holds here."""

    _database: Database
    _clock: Callable[[], datetime]

    @abstractmethod
    def _writing(self) -> AbstractContextManager[Connection]:
        """A transaction whose end tells the listeners."""

    # --- outbox -------------------------------------------------------------------------

    def outbox_pending(self, bench: str, limit: int = 100) -> list[OutboxRow]:
        """What the broker has not confirmed, oldest first."""
        with self._database.reading() as connection:
            return outbox.pending(connection, bench, limit)

    def outbox_count(self, bench: str) -> int:
        """How many rows the broker has not confirmed."""
        with self._database.reading() as connection:
            return outbox.count_pending(connection, bench)

    def outbox_delivered(self, numbers: Sequence[int], at: datetime | None = None) -> None:
        """Note rows (by `OutboxRow.number`) that the broker has confirmed."""
        with self._database.writing() as connection:
            outbox.delivered(connection, numbers, at or self._clock())

    def replay(self, bench: str, from_sequence: int, to_sequence: int | None = None) -> int:
        """Have events sent again, from a number on or between two; returns how many."""
        with self._writing() as connection:
            return outbox.replay(connection, bench, from_sequence, to_sequence)

    def restate(self, bench: str) -> int:
        """Have the newest state of every `latest` topic sent again; returns how many."""
        with self._writing() as connection:
            return outbox.restate(connection, bench)

    def state_topics(self, bench: str) -> set[str]:
        """The topics of all states that were ever published, without the bench's base."""
        with self._database.reading() as connection:
            return outbox.state_topics(connection, bench)

    def last_sequence(self, bench: str) -> int:
        """The number of the bench's newest event; 0 if there is none."""
        with self._database.reading() as connection:
            return outbox.last_sequence(connection, bench)

    # --- epochs -------------------------------------------------------------------------

    @property
    def file(self) -> Path | None:
        """The SQLite file; None for a database on a server."""
        return self._database.file

    def epochs(self, bench: str) -> list[Epoch]:
        """All epochs of the bench, oldest first; the last one counts. Begins the first one."""
        with self._database.reading() as connection:
            found = epochs.history(connection, bench)
        if found:
            return found
        with self._writing() as connection:
            epochs.open_first(connection, bench, self._clock())
            return epochs.history(connection, bench)

    def hand_out(self, bench: str, sequence: int) -> None:
        """Note that a broker is now given the bench's events up to this number."""
        with self._database.writing() as connection:
            epochs.hand_out(connection, bench, sequence)

    def begin_epoch(self, bench: str, reason: str) -> Epoch:
        """Begin a new epoch: what was not yet handed out is counted in it.

        The newest states are sent again: a broker may keep those of a database that is lost.
        """
        with self._writing() as connection:
            begun = epochs.begin(connection, bench, reason, self._clock())
            outbox.restate(connection, bench)
            return begun
