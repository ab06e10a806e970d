"""Answers to orders, so that an order that arrives twice is carried out once.

Kept in the transaction that carries the order out: after a crash either both are there or neither.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime

from sqlalchemy import Connection, delete, func, insert, select

from benchd.store.schema import orders

KEPT_ORDERS = 10_000
_BATCH = 500  # SQLite takes a limited number of values in one statement


@dataclass(frozen=True, slots=True)
class Answered:
    """order_id: the sender's own. digest: SHA-256 of the order's bytes. reply: the answer, JSON."""

    order_id: str
    digest: str
    reply: str


def answered(connection: Connection, bench: str, order_ids: Sequence[str]) -> list[Answered]:
    """The answers under these ids, as far as they are still kept."""
    found = []
    for part in _parts(order_ids):
        query = select(orders.c.order_id, orders.c.digest, orders.c.reply).where(
            orders.c.bench == bench, orders.c.order_id.in_(part)
        )
        found += [Answered(*row) for row in connection.execute(query)]
    return found


def keep(connection: Connection, bench: str, new: Sequence[Answered], now: datetime) -> None:
    """Keep answers in place of earlier ones under the same ids, and forget the oldest."""
    unique = {one.order_id: one for one in new}
    for part in _parts(list(unique)):
        connection.execute(
            delete(orders).where(orders.c.bench == bench, orders.c.order_id.in_(part))
        )
        rows = [
            {
                "bench": bench,
                "order_id": one,
                "digest": unique[one].digest,
                "reply": unique[one].reply,
                "answered_at": now,
            }
            for one in part
        ]
        connection.execute(insert(orders), rows)
    newest = select(func.max(orders.c.number)).where(orders.c.bench == bench).scalar_subquery()
    connection.execute(
        delete(orders).where(orders.c.bench == bench, orders.c.number <= newest - KEPT_ORDERS)
    )


def _parts(values: Sequence[str]) -> list[Sequence[str]]:
    return [values[start : start + _BATCH] for start in range(0, len(values), _BATCH)]
