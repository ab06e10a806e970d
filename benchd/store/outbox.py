"""The outbox: messages for the broker, kept also after the broker has confirmed them.

A confirmation does not mean that the broker has stored a message durably. So rows stay after
delivery, and any range of the bench's event numbers can be sent again.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime
from typing import Any

from sqlalchemy import (
    Connection,
    and_,
    bindparam,
    exists,
    func,
    insert,
    not_,
    select,
    update,
)

from benchd.results import Verdict
from benchd.store import epochs
from benchd.store.epochs import WHOLE_BENCH, Epoch
from benchd.store.jobs import JobRow
from benchd.store.messages import (
    Event,
    JobMessage,
    LatestHead,
    ResultHead,
    TraceMessage,
    VerdictMessage,
    job_fields,
    trace_fields,
    verdict_fields,
)
from benchd.store.ready_results import ReadyResult
from benchd.store.schema import outbox, sequences
from benchd.store.topics import encode_part
from benchd.traces import Capture

QOS = 1
NO_READING = "null"  # as in all payloads; JSON has no NaN
_STREAM = and_(
    sequences.c.bench == bindparam("of_bench"), sequences.c.stream == bindparam("of_stream")
)
_LAST = select(sequences.c.last).where(_STREAM)
_SET_LAST = update(sequences).where(_STREAM).values(last=bindparam("to"))
_ADD_TO_LAST = update(sequences).where(_STREAM).values(last=sequences.c.last + bindparam("count"))
_ADD_STREAM = insert(sequences)
_ADD = insert(outbox)


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
    key = {"of_bench": bench, "of_stream": stream}
    last = connection.execute(_LAST, key).scalar()
    if last is None:
        row = {"bench": bench, "stream": stream, "epoch": epoch, "last": to}
        connection.execute(_ADD_STREAM, row)
        return 0
    connection.execute(_SET_LAST, {**key, "to": to})
    return int(last)


def _take(connection: Connection, bench: str, count: int, now: datetime) -> tuple[Epoch, int]:
    """The epoch and the first of `count` new numbers of the bench.

    If the transaction is rolled back, the numbers are free again, so none is ever left out. The row
    stays locked until the transaction ends."""
    key = {"of_bench": bench, "of_stream": WHOLE_BENCH}
    if connection.execute(_ADD_TO_LAST, {**key, "count": count}).rowcount == 0:
        epochs.open_first(connection, bench, now)
        connection.execute(_ADD_TO_LAST, {**key, "count": count})
    last = int(connection.execute(_LAST, key).scalar_one())
    return epochs.history(connection, bench)[-1], last - count + 1


def _heads(
    connection: Connection, bench: str, stream: str, count: int, now: datetime
) -> list[dict[str, Any]]:
    """The fields of Event for so many new events of a stream, numbered."""
    if not count:
        return []
    epoch, first = _take(connection, bench, count, now)
    before = _move(connection, bench, stream, epoch.epoch, first + count - 1)
    return [
        {
            "bench": bench,
            "epoch": epoch.epoch,
            "epoch_first": epoch.first,
            "sequence": sequence,
            "previous": before if sequence == first else sequence - 1,
            "id": f"{epoch.epoch}-{sequence}",
            "at": now,
        }
        for sequence in range(first, first + count)
    ]


def _add_events(
    connection: Connection,
    model: type[Event],
    bench: str,
    topic: str,
    bodies: Sequence[dict[str, Any]],
    now: datetime,
) -> None:
    """Number events of one topic and put them into the outbox."""
    heads = _heads(connection, bench, topic.partition("/")[0], len(bodies), now)
    rows = [
        _row(
            bench,
            head["sequence"],
            topic,
            model.model_validate({**body, **head}).to_json(),
            False,
            now,
        )
        for head, body in zip(heads, bodies, strict=True)
    ]
    if rows:
        connection.execute(_ADD, rows)


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
    connection: Connection, bench: str, found: Sequence[ReadyResult], now: datetime
) -> None:
    """Every result as an event, then the new state of each antenna's quantities: all of it on
    `latest`, the first of each as a bare number on `reading`."""
    rows = []
    newest: dict[tuple[str, str], list[tuple[ResultHead, ReadyResult]]] = {}
    for fields, result in zip(
        _heads(connection, bench, "result", len(found), now), found, strict=True
    ):
        head = ResultHead(**fields)
        rows.append(_row(bench, head.sequence, "result", head.with_body(result.body), False, now))
        antenna, quantity = result.row["antenna"], result.row["quantity"]
        if antenna is not None:
            newest.setdefault((antenna, quantity), []).append((head, result))
    for (antenna, quantity), entries in newest.items():
        last, first = entries[-1][0], entries[0][1]
        latest = LatestHead(
            bench=bench,
            epoch=last.epoch,
            sequence=last.sequence,
            at=now,
            antenna=antenna,
            quantity=quantity,
            text=first.text,
            reading=None if first.number is None else float(first.number),
            reading_unit=first.unit,
        )
        payload = latest.with_results(result.body for _, result in entries)
        topic = f"{encode_part(antenna)}/{encode_part(quantity)}"
        rows.append(_row(bench, None, f"latest/{topic}", payload, True, now))
        flat = f"reading/{topic}/{encode_part(first.unit)}"
        rows.append(_row(bench, None, flat, first.number or NO_READING, True, now))
    if rows:
        connection.execute(_ADD, rows)


_LATER = outbox.alias("later")
_PENDING = (
    select(
        outbox.c.number,
        outbox.c.sequence,
        outbox.c.topic,
        outbox.c.payload,
        and_(
            outbox.c.retain,
            not_(
                exists().where(
                    _LATER.c.bench == outbox.c.bench,
                    _LATER.c.topic == outbox.c.topic,
                    _LATER.c.number > outbox.c.number,
                )
            ),
        ),
        outbox.c.qos,
    )
    .where(outbox.c.bench == bindparam("of_bench"), outbox.c.delivered_at.is_(None))
    .order_by(outbox.c.number)
    .limit(bindparam("most"))
)
_DELIVERED = (
    update(outbox)
    .where(outbox.c.number >= bindparam("first"), outbox.c.number <= bindparam("last"))
    .values(delivered_at=bindparam("at"))
)


def pending(connection: Connection, bench: str, limit: int) -> list[OutboxRow]:
    """Rows to send, oldest first."""
    rows = connection.execute(_PENDING, {"of_bench": bench, "most": limit})
    return [
        OutboxRow(number, sequence, topic, payload, bool(retain), qos)
        for number, sequence, topic, payload, retain, qos in rows
    ]


def count_pending(connection: Connection, bench: str) -> int:
    """How many rows wait."""
    query = select(func.count()).where(outbox.c.bench == bench, outbox.c.delivered_at.is_(None))
    return int(connection.execute(query).scalar_one())


def delivered(connection: Connection, numbers: Sequence[int], at: datetime) -> None:
    """Note rows that the broker has confirmed."""
    runs = [{"first": first, "last": last, "at": at} for first, last in _runs(numbers)]
    if runs:
        connection.execute(_DELIVERED, runs)


def _runs(numbers: Sequence[int]) -> list[tuple[int, int]]:
    """First and last of each unbroken run of numbers. Messages are confirmed nearly in order."""
    found: list[tuple[int, int]] = []
    for number in sorted(numbers):
        if found and number <= found[-1][1] + 1:
            found[-1] = (found[-1][0], number)
        else:
            found.append((number, number))
    return found


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
