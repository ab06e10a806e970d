"""What the broker has not yet confirmed, and what it may be asked to carry again.

Rows stay after delivery: a broker's acknowledgement is not durability, so any stretch of the
bench's sequence can be sent once more.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime
from typing import Any

from sqlalchemy import Connection, and_, exists, func, insert, not_, select, update

from benchd.results import ResultRecord, Verdict
from benchd.store.ids import new_id
from benchd.store.jobs import JobRow
from benchd.store.messages import (
    Event,
    JobMessage,
    LatestMessage,
    ResultMessage,
    TraceMessage,
    VerdictMessage,
    job_fields,
    result_body,
    trace_fields,
    verdict_fields,
)
from benchd.store.schema import outbox, sequences
from benchd.store.topics import encode_part
from benchd.traces import Capture

WHOLE_BENCH = "*"
QOS = 1


@dataclass(frozen=True, slots=True)
class OutboxRow:
    """One message. `topic` is relative to the root of the bench.

    number: the row's own, for `outbox_delivered`. sequence: the event's number; None for states.
    retain: the broker is to keep it; never set on a state that a newer row replaces.
    """

    number: int
    sequence: int | None
    topic: str
    payload: str
    retain: bool
    qos: int


def _advance(connection: Connection, bench: str, stream: str, epoch: str, to: int) -> int:
    """Set a stream's last number; returns the one before (0 at first)."""
    key = and_(sequences.c.bench == bench, sequences.c.stream == stream)
    last = connection.execute(select(sequences.c.last).where(key)).scalar()
    if last is None:
        connection.execute(
            insert(sequences).values(bench=bench, stream=stream, epoch=epoch, last=to)
        )
        return 0
    connection.execute(update(sequences).where(key).values(last=to))
    return int(last)


def _next(connection: Connection, bench: str) -> tuple[str, int]:
    """Epoch and the next number of the bench. Rolled back together with its transaction, so no
    number is ever lost; the row stays locked until the transaction ends."""
    key = and_(sequences.c.bench == bench, sequences.c.stream == WHOLE_BENCH)
    bump = update(sequences).where(key).values(last=sequences.c.last + 1)
    if connection.execute(bump).rowcount == 0:
        epoch = new_id("epoch")
        connection.execute(
            insert(sequences).values(bench=bench, stream=WHOLE_BENCH, epoch=epoch, last=1)
        )
        return epoch, 1
    row = connection.execute(select(sequences.c.epoch, sequences.c.last).where(key)).one()
    return str(row.epoch), int(row.last)


def _add_event(
    connection: Connection,
    model: type[Event],
    bench: str,
    topic: str,
    fields: dict[str, Any],
    now: datetime,
) -> Event:
    epoch, sequence = _next(connection, bench)
    stream = topic.partition("/")[0]
    previous = _advance(connection, bench, stream, epoch, sequence)
    event = model.model_validate(
        {
            **fields,
            "bench": bench,
            "epoch": epoch,
            "sequence": sequence,
            "previous": previous,
            "id": f"{epoch}-{sequence}",
            "at": now,
        }
    )
    _insert(connection, bench, sequence, topic, event.to_json(), False, now)
    return event


def _insert(
    connection: Connection,
    bench: str,
    sequence: int | None,
    topic: str,
    payload: str,
    retain: bool,
    now: datetime,
) -> None:
    connection.execute(
        insert(outbox).values(
            bench=bench,
            sequence=sequence,
            topic=topic,
            payload=payload,
            retain=retain,
            qos=QOS,
            created_at=now,
        )
    )


def add_job(connection: Connection, job: JobRow, now: datetime) -> None:
    """A job's new state."""
    topic = f"job/{encode_part(job.id)}"
    _add_event(connection, JobMessage, job.bench, topic, job_fields(job), now)


def add_trace(connection: Connection, capture: Capture, most_points: int, now: datetime) -> None:
    """A thinned trace."""
    topic = f"trace/{encode_part(capture.id)}"
    fields = trace_fields(capture, most_points)
    _add_event(connection, TraceMessage, capture.bench, topic, fields, now)


def add_verdicts(
    connection: Connection,
    bench: str,
    job_id: str,
    step: str,
    verdicts: Sequence[Verdict],
    now: datetime,
) -> None:
    """Verdicts of one step."""
    for verdict in verdicts:
        fields = verdict_fields(job_id, step, verdict)
        _add_event(connection, VerdictMessage, bench, "verdict", fields, now)


def add_results(connection: Connection, records: Sequence[ResultRecord], now: datetime) -> None:
    """Every result as an event, then the new state of each antenna's quantities."""
    newest: dict[tuple[str, str, str], list[tuple[Event, ResultRecord]]] = {}
    for record in records:
        fields = result_body(record).model_dump()
        event = _add_event(connection, ResultMessage, record.bench, "result", fields, now)
        if record.result.antenna is not None:
            key = (record.bench, record.result.antenna, record.result.quantity)
            newest.setdefault(key, []).append((event, record))
    for (bench, antenna, quantity), entries in newest.items():
        last = entries[-1][0]
        message = LatestMessage(
            bench=bench,
            epoch=last.epoch,
            sequence=last.sequence,
            at=now,
            antenna=antenna,
            quantity=quantity,
            results=tuple(result_body(record) for _, record in entries),
        )
        topic = f"latest/{encode_part(antenna)}/{encode_part(quantity)}"
        _insert(connection, bench, None, topic, message.to_json(), True, now)


def pending(connection: Connection, bench: str, limit: int) -> list[OutboxRow]:
    """Rows to send, oldest first."""
    later = outbox.alias("later")
    replaced = exists().where(
        later.c.bench == outbox.c.bench,
        later.c.topic == outbox.c.topic,
        later.c.number > outbox.c.number,
    )
    query = (
        select(
            outbox.c.number,
            outbox.c.sequence,
            outbox.c.topic,
            outbox.c.payload,
            and_(outbox.c.retain, not_(replaced)).label("retain"),
            outbox.c.qos,
        )
        .where(outbox.c.bench == bench, outbox.c.delivered_at.is_(None))
        .order_by(outbox.c.number)
        .limit(limit)
    )
    rows = connection.execute(query).mappings()
    return [OutboxRow(**{**row, "retain": bool(row["retain"])}) for row in rows]


def count_pending(connection: Connection, bench: str) -> int:
    """How many rows wait."""
    query = select(func.count()).where(outbox.c.bench == bench, outbox.c.delivered_at.is_(None))
    return int(connection.execute(query).scalar_one())


def delivered(connection: Connection, numbers: Sequence[int], at: datetime) -> None:
    """Note rows that the broker has confirmed."""
    connection.execute(
        update(outbox).where(outbox.c.number.in_(list(numbers))).values(delivered_at=at)
    )


def replay(connection: Connection, bench: str, from_sequence: int, to_sequence: int | None) -> int:
    """Mark delivered events for sending again; returns how many."""
    marked = (
        update(outbox)
        .where(outbox.c.bench == bench, outbox.c.sequence >= from_sequence)
        .where(outbox.c.delivered_at.is_not(None))
        .values(delivered_at=None)
    )
    if to_sequence is not None:
        marked = marked.where(outbox.c.sequence <= to_sequence)
    return int(connection.execute(marked).rowcount)


def restate(connection: Connection, bench: str) -> int:
    """Mark the newest row of every state for sending again; returns how many."""
    newest = (
        select(func.max(outbox.c.number))
        .where(outbox.c.bench == bench, outbox.c.sequence.is_(None))
        .group_by(outbox.c.topic)
    )
    numbers = list(connection.execute(newest).scalars())
    marked = (
        update(outbox)
        .where(outbox.c.number.in_(numbers), outbox.c.delivered_at.is_not(None))
        .values(delivered_at=None)
    )
    return int(connection.execute(marked).rowcount)


def last_sequence(connection: Connection, bench: str) -> int:
    """The number of the newest event, 0 if there is none."""
    query = select(sequences.c.last).where(
        sequences.c.bench == bench, sequences.c.stream == WHOLE_BENCH
    )
    return int(connection.execute(query).scalar() or 0)
