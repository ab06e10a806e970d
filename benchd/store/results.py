"""Results and verdicts, stored without loss."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import datetime

from sqlalchemy import Connection, insert, select

from benchd.results import ResultRecord, Verdict
from benchd.store import codec
from benchd.store.errors import UnknownId
from benchd.store.schema import results, verdicts


def add(connection: Connection, records: Sequence[ResultRecord]) -> None:
    """Store results."""
    rows = [
        {
            "id": record.id,
            "bench": record.bench,
            "job_id": record.job_id,
            "step": record.step,
            "quantity": record.result.quantity,
            "antenna": record.result.antenna,
            "reduced_at": record.reduced_at,
            "body": codec.record_to_text(record),
        }
        for record in records
    ]
    if rows:
        connection.execute(insert(results), rows)


def add_verdicts(
    connection: Connection, job_id: str, step: str, found: Sequence[Verdict], now: datetime
) -> None:
    """Store verdicts."""
    rows = [
        {"job_id": job_id, "step": step, "at": now, "body": codec.verdict_to_text(verdict)}
        for verdict in found
    ]
    if rows:
        connection.execute(insert(verdicts), rows)


def get(connection: Connection, result_id: str) -> ResultRecord:
    """Raises UnknownId."""
    body = connection.execute(select(results.c.body).where(results.c.id == result_id)).scalar()
    if body is None:
        raise UnknownId(f"there is no result {result_id}.")
    return codec.record_from_text(body)


def listed(
    connection: Connection,
    *,
    bench: str | None,
    job_id: str | None,
    quantity: str | None,
    antenna: str | None,
    limit: int | None,
) -> list[ResultRecord]:
    """Results, newest first; those of one reduction in the order in which they were made."""
    query = select(results.c.body)
    wanted = {
        results.c.bench: bench,
        results.c.job_id: job_id,
        results.c.quantity: quantity,
        results.c.antenna: antenna,
    }
    for column, value in wanted.items():
        if value is not None:
            query = query.where(column == value)
    query = query.order_by(results.c.reduced_at.desc(), results.c.id).limit(limit)
    return [codec.record_from_text(body) for body in connection.execute(query).scalars()]


def verdicts_of(connection: Connection, job_id: str) -> list[Verdict]:
    """Verdicts of one job, oldest first."""
    query = select(verdicts.c.body).where(verdicts.c.job_id == job_id).order_by(verdicts.c.number)
    return [codec.verdict_from_text(body) for body in connection.execute(query).scalars()]
