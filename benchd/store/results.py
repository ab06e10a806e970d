"""Results and verdicts, stored without loss."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import datetime

from sqlalchemy import Connection, RowMapping, func, insert, select

from benchd.errors import UnknownId
from benchd.results import ResultRecord, Verdict
from benchd.store import codec
from benchd.store.readable_rows import Damage, checked, one, readable, sha256_of
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
            "body": (body := codec.record_to_text(record)),
            "sha256": sha256_of(record.id, body),
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
        {
            "job_id": job_id,
            "step": step,
            "at": now,
            "body": (body := codec.verdict_to_text(verdict)),
            "sha256": sha256_of(job_id, step, body),
        }
        for verdict in found
    ]
    if rows:
        connection.execute(insert(verdicts), rows)


def get(connection: Connection, result_id: str) -> ResultRecord:
    """Raises UnknownId, or StoreDamaged if it is not what was stored."""
    row = connection.execute(select(results).where(results.c.id == result_id)).mappings().first()
    if row is None:
        raise UnknownId(f"there is no result {result_id}.")
    return _record(row)


def _record(row: RowMapping) -> ResultRecord:
    where = f"result {row['id']}"

    def read(found: RowMapping) -> ResultRecord:
        checked(found["sha256"], sha256_of(found["id"], found["body"]), where)
        return codec.record_from_text(found["body"])

    return one(read, row, where)


def _verdict(row: RowMapping) -> Verdict:
    where = f"verdict {row['number']} of job {row['job_id']}"

    def read(found: RowMapping) -> Verdict:
        checked(found["sha256"], sha256_of(found["job_id"], found["step"], found["body"]), where)
        return codec.verdict_from_text(found["body"])

    return one(read, row, where)


def listed(
    connection: Connection,
    damage: Damage,
    *,
    bench: str | None,
    job_id: str | None,
    quantity: str | None,
    antenna: str | None,
    limit: int | None,
) -> list[ResultRecord]:
    """Results, newest first; those of one reduction in the order in which they were made."""
    query = select(results)
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
    return readable(connection, results, query, _record, damage)


def measured_antennas(connection: Connection, bench: str) -> list[str]:
    """Names of the antennas that have results on a bench, in the order of their first ones."""
    query = (
        select(results.c.antenna)
        .where(results.c.bench == bench, results.c.antenna.is_not(None))
        .group_by(results.c.antenna)
        .order_by(func.min(results.c.reduced_at))
    )
    return [str(name) for (name,) in connection.execute(query)]


def verdicts_of(connection: Connection, damage: Damage, job_id: str) -> list[Verdict]:
    """Verdicts of one job, oldest first."""
    query = select(verdicts).where(verdicts.c.job_id == job_id).order_by(verdicts.c.number)
    return readable(connection, verdicts, query, _verdict, damage)
