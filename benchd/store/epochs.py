"""Epochs: an epoch is one unbroken numbering of events, 1, 2, 3, ..., of one database.

A database that was restored from a backup would use numbers a second time that subscribers have
already read, and they would take the new events for duplicates. So a database that lacks events
which were published begins a new epoch. Its numbering goes on from its own last number; no row is
lost or numbered again. An event is identified by epoch and number together.

`handed` is the highest number of an epoch that was ever given to a broker. It is committed before
the event is sent, so that nobody can have received a higher number of this database.
"""

from __future__ import annotations

import json
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime

from sqlalchemy import Connection, and_, bindparam, insert, select, update

from benchd.store.ids import new_id
from benchd.store.schema import epochs, outbox, sequences

WHOLE_BENCH = "*"
_ALL = (
    select(epochs.c.epoch, epochs.c.first, epochs.c.handed, epochs.c.began_at, epochs.c.reason)
    .where(epochs.c.bench == bindparam("bench"))
    .order_by(epochs.c.number)
)


@dataclass(frozen=True, slots=True)
class Epoch:
    """first: the first number that it gives. handed: the highest that a broker was given.
    reason: why it began; empty for the first one of a database."""

    epoch: str
    first: int
    handed: int
    began_at: datetime
    reason: str


@dataclass(frozen=True, slots=True)
class Mark:
    """The last published event of a bench, as a place outside the database has noted it.

    epoch, sequence: of that event. where: the place, in words.
    """

    epoch: str
    sequence: int
    where: str


def history(connection: Connection, bench: str) -> list[Epoch]:
    """All epochs of a bench, oldest first; the last one is the present one. Empty before the first
    event."""
    return [Epoch(*row) for row in connection.execute(_ALL, {"bench": bench})]


def open_first(connection: Connection, bench: str, now: datetime) -> None:
    """Begin the first epoch of a bench, unless it has one."""
    if not history(connection, bench):
        epoch = new_id("epoch")
        _add(connection, bench, epoch, first=1, handed=0, reason="", now=now)
        connection.execute(
            insert(sequences).values(bench=bench, stream=WHOLE_BENCH, epoch=epoch, last=0)
        )


def _add(
    connection: Connection,
    bench: str,
    epoch: str,
    *,
    first: int,
    handed: int,
    reason: str,
    now: datetime,
) -> None:
    row = {"bench": bench, "epoch": epoch, "first": first, "handed": handed}
    connection.execute(insert(epochs).values(**row, began_at=now, reason=reason))


def hand_out(connection: Connection, bench: str, sequence: int) -> None:
    """Store, before they are sent, that a broker gets the events up to this number."""
    (current,) = history(connection, bench)[-1:]
    connection.execute(
        update(epochs)
        .where(epochs.c.bench == bench, epochs.c.epoch == current.epoch)
        .where(epochs.c.handed < sequence)
        .values(handed=sequence)
    )


def begin(connection: Connection, bench: str, reason: str, now: datetime) -> Epoch:
    """Begin a new epoch after the last number that was handed out.

    Events that no broker was given yet become events of the new epoch, under their own numbers.
    """
    current = history(connection, bench)[-1]
    epoch, first = new_id("epoch"), current.handed + 1
    _add(connection, bench, epoch, first=first, handed=current.handed, reason=reason, now=now)
    connection.execute(update(sequences).where(sequences.c.bench == bench).values(epoch=epoch))
    waiting = and_(outbox.c.bench == bench, outbox.c.delivered_at.is_(None))
    for number, text in connection.execute(
        select(outbox.c.number, outbox.c.payload).where(waiting)
    ).all():
        payload = json.loads(text)
        if not isinstance(payload, dict) or payload["sequence"] < first:
            continue  # a bare number on the topic `reading` names no epoch
        payload["epoch"] = epoch
        if "previous" in payload:  # an event; a state has no number of its own
            payload["epoch_first"] = first
            payload["id"] = f"{epoch}-{payload['sequence']}"
        text = json.dumps(payload, separators=(",", ":"), ensure_ascii=False)
        connection.execute(update(outbox).where(outbox.c.number == number).values(payload=text))
    return history(connection, bench)[-1]


def why_no_successor(known: Sequence[Epoch], mark: Mark) -> str:
    """Why this database lacks events that were published; empty if it does not.

    known: all epochs of the database. mark: what was seen outside.
    """
    current = known[-1]
    if mark.epoch == current.epoch and mark.sequence > current.handed:
        return (
            f"event {mark.sequence} was published already ({mark.where}), and this database has "
            f"published up to {current.handed}: it was restored, copied, or lost its newest rows"
        )
    is_used = current.handed >= current.first
    if is_used and mark.epoch not in {one.epoch for one in known}:
        return f"another database has published for this bench since ({mark.where})"
    return ""
