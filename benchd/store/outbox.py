"""The outbox: messages for the broker, kept also after the broker has confirmed them.

A confirmation does not mean that the broker has stored a message durably. So rows stay after
delivery, and any range of the bench's event numbers can be sent again.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime
from typing import Any

from sqlalchemy import Connection, and_, exists, func, insert, not_, select, update

from benchd.results import Result, ResultRecord, Verdict
from benchd.store import epochs
from benchd.store.epochs import WHOLE_BENCH, Epoch
from benchd.store.jobs import JobRow
from benchd.store.messages import (
    Event,
    JobMessage,
    LatestMessage,
    ResultBody,
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
from benchd.wording import reading_number, reading_unit, result_text

QOS = 1
NO_READING = "null"  # as in all payloads; JSON has no NaN


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


def _move(connection: Connection, bench: str, stream: str, epoch: str, to: int) -> int:
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


def _take(connection: Connection, bench: str, count: int, now: datetime) -> tuple[Epoch, int]:
    """The epoch and the first of `count` new numbers of the bench.

    If the transaction is rolled back, the numbers are free again, so none is ever left out. The row
    stays locked until the transaction ends."""
    key = and_(sequences.c.bench == bench, sequences.c.stream == WHOLE_BENCH)
    bump = update(sequences).where(key).values(last=sequences.c.last + count)
    if connection.execute(bump).rowcount == 0:
        epochs.open_first(connection, bench, now)
        connection.execute(bump)
    last = int(connection.execute(select(sequences.c.last).where(key)).scalar_one())
    return epochs.history(connection, bench)[-1], last - count + 1


def _add_events(
    connection: Connection,
    model: type[Event],
    bench: str,
    topic: str,
    bodies: Sequence[dict[str, Any]],
    now: datetime,
) -> list[Event]:
    """Number events of one topic and put them into the outbox."""
    if not bodies:
        return []
    epoch, first = _take(connection, bench, len(bodies), now)
    last = first + len(bodies) - 1
    before = _move(connection, bench, topic.partition("/")[0], epoch.epoch, last)
    events = [
        model.model_validate(
            {
                **body,
                "bench": bench,
                "epoch": epoch.epoch,
                "epoch_first": epoch.first,
                "sequence": sequence,
                "previous": before if sequence == first else sequence - 1,
                "id": f"{epoch.epoch}-{sequence}",
                "at": now,
            }
        )
        for sequence, body in enumerate(bodies, first)
    ]
    rows = [_row(bench, event.sequence, topic, event.to_json(), False, now) for event in events]
    connection.execute(insert(outbox), rows)
    return events


def _row(
    bench: str, sequence: int | None, topic: str, payload: str, retain: bool, now: datetime
) -> dict[str, Any]:
    return {
        "bench": bench,
        "sequence": sequence,
        "topic": topic,
        "payload": payload,
        "retain": retain,
        "qos": QOS,
        "created_at": now,
    }


def add_job(connection: Connection, job: JobRow, now: datetime) -> None:
    """A job's new state."""
    topic = f"job/{encode_part(job.id)}"
    _add_events(connection, JobMessage, job.bench, topic, [job_fields(job)], now)


def add_trace(connection: Connection, capture: Capture, most_points: int, now: datetime) -> None:
    """A thinned trace."""
    topic = f"trace/{encode_part(capture.id)}"
    fields = trace_fields(capture, most_points)
    _add_events(connection, TraceMessage, capture.bench, topic, [fields], now)


def add_verdicts(
    connection: Connection,
    bench: str,
    job_id: str,
    step: str,
    verdicts: Sequence[Verdict],
    now: datetime,
) -> None:
    """Verdicts of one step."""
    bodies = [verdict_fields(job_id, step, verdict) for verdict in verdicts]
    _add_events(connection, VerdictMessage, bench, "verdict", bodies, now)


def add_results(
    connection: Connection, bench: str, records: Sequence[ResultRecord], now: datetime
) -> None:
    """Every result as an event, then the new state of each antenna's quantities: all of it on
    `latest`, the first of each as a bare number on `reading`."""
    bodies = [result_body(record) for record in records]
    fields = [body.model_dump() for body in bodies]
    events = _add_events(connection, ResultMessage, bench, "result", fields, now)
    newest: dict[tuple[str, str], list[tuple[Event, ResultBody, Result]]] = {}
    for event, body, record in zip(events, bodies, records, strict=True):
        if body.antenna is not None:
            entry = (event, body, record.result)
            newest.setdefault((body.antenna, body.quantity), []).append(entry)
    rows = []
    for (antenna, quantity), entries in newest.items():
        last, first = entries[-1][0], entries[0][2]
        number, unit = reading_number(first), reading_unit(first.unit)
        message = LatestMessage(
            bench=bench,
            epoch=last.epoch,
            sequence=last.sequence,
            at=now,
            antenna=antenna,
            quantity=quantity,
            text=result_text(first),
            reading=None if number is None else float(number),
            reading_unit=unit,
            results=tuple(body for _, body, _ in entries),
        )
        topic = f"{encode_part(antenna)}/{encode_part(quantity)}"
        rows.append(_row(bench, None, f"latest/{topic}", message.to_json(), True, now))
        flat = f"reading/{topic}/{encode_part(unit)}"
        rows.append(_row(bench, None, flat, number or NO_READING, True, now))
    if rows:
        connection.execute(insert(outbox), rows)


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


def state_topics(connection: Connection, bench: str) -> set[str]:
    """The topics of all states, below the bench's base."""
    states = outbox.c.sequence.is_(None)
    query = select(outbox.c.topic).where(outbox.c.bench == bench, states).distinct()
    return set(connection.execute(query).scalars())


def last_sequence(connection: Connection, bench: str) -> int:
    """The number of the newest event, 0 if there is none."""
    query = select(sequences.c.last).where(
        sequences.c.bench == bench, sequences.c.stream == WHOLE_BENCH
    )
    return int(connection.execute(query).scalar() or 0)
