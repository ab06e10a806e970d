"""The tables. A new database gets them as they stand here, an older one by migrations; a test
checks that both are the same.

Only types that SQLite and PostgreSQL both have. JSON is kept as text, because it must come back
exactly as it was written; times as UTC text of fixed width, which sorts by time.
"""

from __future__ import annotations

from datetime import UTC, datetime
from typing import Any

from sqlalchemy import (
    BigInteger,
    Boolean,
    Column,
    Dialect,
    Double,
    ForeignKey,
    Index,
    Integer,
    LargeBinary,
    MetaData,
    String,
    Table,
    Text,
    TypeDecorator,
)

HEAD = "0010"  # newest migration; lets a start without an upgrade skip importing Alembic

metadata = MetaData(
    naming_convention={
        "ix": "ix_%(table_name)s_%(column_0_N_name)s",
        "uq": "uq_%(table_name)s_%(column_0_N_name)s",
        "fk": "fk_%(table_name)s_%(column_0_N_name)s",
        "pk": "pk_%(table_name)s",
    }
)


class UtcTime(TypeDecorator[datetime]):
    """A moment, as `2026-03-01T12:00:00.000000Z`. A time without a zone raises ValueError."""

    impl = String(27)
    cache_ok = True

    def process_bind_param(self, value: datetime | None, dialect: Dialect) -> str | None:
        """To text."""
        if value is None:
            return None
        if value.tzinfo is None:
            raise ValueError(f"the time {value} has no zone; benchd stores UTC")
        return value.astimezone(UTC).strftime("%Y-%m-%dT%H:%M:%S.%fZ")

    def process_result_value(self, value: Any, dialect: Dialect) -> datetime | None:
        """From text."""
        return None if value is None else datetime.fromisoformat(value)


# SQLite numbers rows by itself only in columns declared INTEGER.
_Counter = BigInteger().with_variant(Integer, "sqlite")

worksheets = Table(
    "worksheets",
    metadata,
    Column("hash", String(64), primary_key=True),
    Column("body", Text, nullable=False),
)

bench_texts = Table(
    "bench_texts",
    metadata,
    Column("hash", String(64), primary_key=True),
    Column("body", Text, nullable=False),
)

jobs = Table(
    "jobs",
    metadata,
    Column("id", String(40), primary_key=True),
    Column("bench", Text, nullable=False),
    Column("recipe", Text, nullable=False),
    Column("title", Text, nullable=False),
    Column("worksheet_hash", ForeignKey("worksheets.hash"), nullable=False),
    Column("state", String(16), nullable=False),
    Column("priority", Integer, nullable=False),
    Column("created_at", UtcTime, nullable=False),
    Column("not_before", UtcTime),
    Column("finish_by", UtcTime),
    Column("started_at", UtcTime),
    Column("ended_at", UtcTime),
    Column("step_index", Integer, nullable=False),
    Column("steps_total", Integer, nullable=False),
    Column("expected_s", Double, nullable=False),
    Column("interruptions", Integer, nullable=False),
    Column("message", Text, nullable=False),
    Column("error", Text),
    Column("hands", Text),
    Column("withdraw_ordered_at", UtcTime),
    Column("put_back_at", UtcTime),
    Column("serial", Text),
    Column("batch", Text),
    Column("answer", Text),
    Column("reduced_index", Integer),
    Index(None, "bench", "state", "priority", "created_at"),
    Index(None, "created_at", "id"),
)

job_events = Table(
    "job_events",
    metadata,
    Column("number", _Counter, primary_key=True, autoincrement=True),
    Column("job_id", ForeignKey("jobs.id"), nullable=False),
    Column("at", UtcTime, nullable=False),
    Column("state", String(16), nullable=False),
    Column("step_index", Integer, nullable=False),
    Column("message", Text, nullable=False),
    Index(None, "job_id"),
    sqlite_autoincrement=True,
)

captures = Table(
    "captures",
    metadata,
    Column("id", String(40), primary_key=True),
    Column("bench", Text, nullable=False),
    Column("job_id", ForeignKey("jobs.id"), nullable=False),
    Column("step", Text, nullable=False),
    Column("role", String(16), nullable=False),
    Column("route", Text, nullable=False),
    Column("position", Text),
    Column("antenna", Text),
    Column("taken_at", UtcTime, nullable=False),
    Column("recipe_hash", String(64), nullable=False),
    Column("worksheet_hash", String(64), nullable=False),
    Column("detail", Text, nullable=False),
    Column("sha256", String(64)),
    Index(None, "bench", "role", "route", "taken_at"),
    Index(None, "antenna", "taken_at", "id"),
    Index(None, "taken_at", "id"),
    Index(None, "job_id"),
)

traces = Table(
    "traces",
    metadata,
    Column("capture_id", ForeignKey("captures.id"), primary_key=True),
    Column("ordinal", Integer, primary_key=True, autoincrement=False),
    Column("name", Text, nullable=False),
    Column("form", String(16), nullable=False),
    Column("points", Integer, nullable=False),
    Column("sha256", String(64), nullable=False),
    Column("data", LargeBinary, nullable=False),
)

results = Table(
    "results",
    metadata,
    Column("id", String(40), primary_key=True),
    Column("bench", Text, nullable=False),
    Column("job_id", ForeignKey("jobs.id"), nullable=False),
    Column("step", Text, nullable=False),
    Column("quantity", Text, nullable=False),
    Column("antenna", Text),
    Column("reduced_at", UtcTime, nullable=False),
    Column("body", Text, nullable=False),
    Column("sha256", String(64)),
    Index(None, "job_id"),
    Index(None, "bench", "antenna", "quantity", "reduced_at"),
    Index(None, "bench", "antenna", "reduced_at"),
    Index(None, "bench", "quantity", "reduced_at"),
    Index(None, "antenna", "reduced_at"),
    Index(None, "bench", "reduced_at"),
    Index(None, "reduced_at"),
)

verdicts = Table(
    "verdicts",
    metadata,
    Column("number", _Counter, primary_key=True, autoincrement=True),
    Column("job_id", ForeignKey("jobs.id"), nullable=False),
    Column("step", Text, nullable=False),
    Column("at", UtcTime, nullable=False),
    Column("body", Text, nullable=False),
    Column("sha256", String(64)),
    Index(None, "job_id"),
    sqlite_autoincrement=True,
)

# Last number given out, per bench and stream; stream "*" is the bench's own sequence.
sequences = Table(
    "sequences",
    metadata,
    Column("bench", Text, primary_key=True),
    Column("stream", String(40), primary_key=True),
    Column("epoch", String(40), nullable=False),
    Column("last", BigInteger, nullable=False),
)

# Every count that the database has begun; the newest one counts. See `benchd.store.epochs`.
epochs = Table(
    "epochs",
    metadata,
    Column("number", _Counter, primary_key=True, autoincrement=True),
    Column("bench", Text, nullable=False),
    Column("epoch", String(40), nullable=False),
    Column("first", BigInteger, nullable=False),
    Column("handed", BigInteger, nullable=False),
    Column("began_at", UtcTime, nullable=False),
    Column("reason", Text, nullable=False),
    Index(None, "bench", "epoch", unique=True),
    sqlite_autoincrement=True,
)

outbox = Table(
    "outbox",
    metadata,
    Column("number", _Counter, primary_key=True, autoincrement=True),
    Column("bench", Text, nullable=False),
    Column("sequence", BigInteger),
    Column("topic", Text, nullable=False),
    Column("payload", Text, nullable=False),
    Column("retain", Boolean, nullable=False),
    Column("qos", Integer, nullable=False),
    Column("created_at", UtcTime, nullable=False),
    Column("delivered_at", UtcTime),
    Index(None, "bench", "delivered_at", "number"),
    Index(None, "bench", "sequence", unique=True),
    Index(None, "bench", "topic", "number"),
    sqlite_autoincrement=True,
)

orders = Table(
    "orders",
    metadata,
    Column("number", _Counter, primary_key=True, autoincrement=True),
    Column("bench", Text, nullable=False),
    Column("order_id", String(64), nullable=False),
    Column("digest", String(64), nullable=False),
    Column("reply", Text, nullable=False),
    Column("answered_at", UtcTime, nullable=False),
    Index(None, "bench", "order_id", unique=True),
    Index(None, "bench", "number"),
    sqlite_autoincrement=True,
)
