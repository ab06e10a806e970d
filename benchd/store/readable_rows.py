"""Reading rows of which some may be damaged: a damaged row is left out, and the others are read.

A flipped bit in one result must not hide all others, and must not be taken for a result either.
"""

from __future__ import annotations

import hashlib
import threading
from collections.abc import Callable
from typing import Any, TypeVar

from sqlalchemy import Column, Connection, RowMapping, Select, Table, exc, literal_column, select

from benchd.store.errors import StoreDamaged

T = TypeVar("T")
MOST_NAMED = 100
# The errors that reading a damaged row may raise.
_DAMAGE = (StoreDamaged, ValueError, TypeError, KeyError, AttributeError)


class Damage:
    """The damaged rows found since the start, each once, in words. May be used by any thread."""

    def __init__(self) -> None:
        self._lock = threading.Lock()
        self._found: dict[str, str] = {}

    def note(self, row: str, reason: str) -> None:
        """Remember one."""
        with self._lock:
            if len(self._found) < MOST_NAMED:
                self._found.setdefault(row, f"{row} is damaged and left out: {reason}")

    def words(self) -> list[str]:
        """One sentence for each."""
        with self._lock:
            return list(self._found.values())


def sha256_of(*parts: str | None) -> str:
    """A checksum over texts in their order; None and "" give different ones."""
    digest = hashlib.sha256()
    for part in parts:
        data = b"-" if part is None else b"+" + part.encode("utf-8", "surrogatepass")
        digest.update(len(data).to_bytes(8, "big") + data)
    return digest.hexdigest()


def checked(stored: str | None, found: str, where: str) -> None:
    """Raise StoreDamaged where a row is not what was stored.

    Rows that were stored before there were checksums have none, and are taken as they are.
    """
    if stored is not None and stored != found:
        raise StoreDamaged("what is stored does not match its checksum.", where=where)


def one(make: Callable[[RowMapping], T], row: RowMapping, where: str) -> T:
    """A row as a value. Raises StoreDamaged, naming it, whatever is wrong with it."""
    try:
        return make(row)
    except StoreDamaged as error:
        raise StoreDamaged(error.message, where=where, advice=error.advice) from error
    except _DAMAGE as error:
        raise StoreDamaged(f"what is stored cannot be read: {error}", where=where) from error


def matching(query: Select[Any], wanted: dict[Column[Any], Any], job: Column[Any]) -> Select[Any]:
    """The query for rows whose columns hold these values; None for whatever they hold.

    job: the column that names the job. Where it is among the wanted ones, its index is the one to
    use: a job has a few rows, a bench may have all of them. A database that has counted nothing
    might take the index of the bench instead, so the others are asked for in a form without index.
    """
    by_job = wanted.get(job) is not None
    for column, value in wanted.items():
        if value is not None:
            compared = column.concat("") if by_job and column is not job else column
            query = query.where(compared == value)
    return query


def readable(
    connection: Connection,
    table: Table,
    query: Select[Any],
    make: Callable[[RowMapping], T],
    damage: Damage,
) -> list[T]:
    """Read the rows that a query over one table finds. Damaged rows are left out and noted.

    query: selects the table's columns, with its own order and limit.
    """
    try:
        return [make(row) for row in connection.execute(query).mappings()]
    except (*_DAMAGE, exc.OperationalError) as error:
        if isinstance(error, exc.OperationalError) and "decode" not in str(error.orig).lower():
            raise
    key = _key_of(connection, table)
    found = []
    for value in (
        connection.execute(query.with_only_columns(key, maintain_column_froms=True)).scalars().all()
    ):
        name = f"{table.name} row {value}"
        try:
            name = _name(connection, table, key, value)
            row = connection.execute(select(table).where(key == value)).mappings().one()
            found.append(make(row))
        except (*_DAMAGE, exc.OperationalError) as error:
            reason = error.message if isinstance(error, StoreDamaged) else str(error)
            damage.note(name, " ".join(reason.split())[:200])
    return found


def _key_of(connection: Connection, table: Table) -> Column[Any]:
    """The column that identifies a row reliably: in SQLite its number, as its id may be damaged."""
    if connection.dialect.name == "sqlite":
        return literal_column(f"{table.name}.rowid")  # type: ignore[return-value]
    (key,) = table.primary_key.columns
    return key


def _name(connection: Connection, table: Table, key: Column[Any], value: Any) -> str:
    """A name of the row for messages: "result res-...", else its table and number."""
    words = {"results": "result", "captures": "capture", "jobs": "job"}
    if table.name not in words:
        return f"{table.name} row {value}"
    found = connection.execute(select(table.c.id).where(key == value)).scalar()
    return f"{words[table.name]} {found}"
