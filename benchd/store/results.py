"""Results and verdicts, stored without loss."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import datetime
from typing import Any

from sqlalchemy import Connection, RowMapping, Select, func, insert, select

from benchd.errors import UnknownId
from benchd.results import ResultRecord, Verdict
from benchd.store import codec
from benchd.store.decoded import Decoded
from benchd.store.readable_rows import Damage, checked, matching, one, readable, sha256_of
from benchd.store.ready_results import ReadyResult
from benchd.store.schema import results, verdicts

_ADD = insert(results)


def add(connection: Connection, found: Sequence[ReadyResult]) -> None:
    """Store results."""
    if found:
        connection.execute(_ADD, [result.row for result in found])


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


def get(connection: Connection, result_id: str, decoded: Decoded) -> ResultRecord:
    """Raises UnknownId, or StoreDamaged if it is not what was stored."""
    row = connection.execute(select(results).where(results.c.id == result_id)).mappings().first()
    if row is None:
        raise UnknownId(f"there is no result {result_id}.")
    return _record(row, decoded)


def _record(row: RowMapping, decoded: Decoded) -> ResultRecord:
    where = f"result {row['id']}"

    def read(found: RowMapping) -> ResultRecord:
        checksum = sha256_of(found["id"], found["body"])
        checked(found["sha256"], checksum, where)
        return decoded.value(checksum, found["body"], codec.record_from_text)

    return one(read, row, where)


def _verdict(row: RowMapping, decoded: Decoded) -> tuple[str, Verdict]:
    where = f"verdict {row['number']} of job {row['job_id']}"

    def read(found: RowMapping) -> tuple[str, Verdict]:
        checksum = sha256_of(found["job_id"], found["step"], found["body"])
        checked(found["sha256"], checksum, where)
        verdict = decoded.value(checksum, found["body"], codec.verdict_from_text)
        return str(found["job_id"]), verdict

    return one(read, row, where)


def listed(
    connection: Connection,
    damage: Damage,
    decoded: Decoded,
    *,
    bench: str | None,
    job_id: str | None,
    quantity: str | None,
    antenna: str | None,
    limit: int | None,
) -> list[ResultRecord]:
    """Results, newest first; those of one reduction in the order in which they were made."""
    query: Select[Any] = select(
        results.c.id, results.c.reduced_at, results.c.body, results.c.sha256
    )
    wanted = {
        results.c.bench: bench,
        results.c.job_id: job_id,
        results.c.quantity: quantity,
        results.c.antenna: antenna,
    }
    query = matching(query, wanted, results.c.job_id)
    query = query.order_by(results.c.reduced_at.desc(), results.c.id).limit(limit)
    return readable(connection, results, query, lambda row: _record(row, decoded), damage)


def measured_antennas(connection: Connection, bench: str) -> list[str]:
    """Names of the antennas that have results on a bench, in the order of their first ones."""
    of_bench = results.c.bench == bench
    # From name to next name by the index: a grouping would read every result of the bench.
    names = select(func.min(results.c.antenna).label("antenna")).where(of_bench).cte(recursive=True)
    following = (
        select(func.min(results.c.antenna))
        .where(of_bench, results.c.antenna > names.c.antenna)
        .scalar_subquery()
    )
    names = names.union_all(select(following).where(names.c.antenna.is_not(None)))
    first_at = (
        select(func.min(results.c.reduced_at))
        .where(of_bench, results.c.antenna == names.c.antenna)
        .scalar_subquery()
    )
    query = select(names.c.antenna).where(names.c.antenna.is_not(None)).order_by(first_at)
    return [str(name) for (name,) in connection.execute(query)]


def verdicts_of(
    connection: Connection, damage: Damage, decoded: Decoded, job_ids: Sequence[str]
) -> dict[str, list[Verdict]]:
    """Verdicts of each of these jobs, oldest first."""
    query = select(verdicts).where(verdicts.c.job_id.in_(job_ids)).order_by(verdicts.c.number)
    found: dict[str, list[Verdict]] = {job_id: [] for job_id in job_ids}
    for job_id, verdict in readable(
        connection, verdicts, query, lambda row: _verdict(row, decoded), damage
    ):
        found[job_id].append(verdict)
    return found
