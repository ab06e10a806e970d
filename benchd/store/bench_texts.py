"""Benches as they were written when jobs were queued: texts of the bench file and its registers."""

from __future__ import annotations

import json

from sqlalchemy import Connection, insert, select

from benchd.store.schema import bench_texts

Texts = tuple[tuple[str, str], ...]
"""Name and text of each file, the bench file first."""


def keep(connection: Connection, digest: str, texts: Texts) -> None:
    """Keep the texts of a bench by its hash; nothing is done where it is kept already."""
    known = select(bench_texts.c.hash).where(bench_texts.c.hash == digest)
    if connection.execute(known).first() is None:
        body = json.dumps([list(one) for one in texts])
        connection.execute(insert(bench_texts).values(hash=digest, body=body))


def get(connection: Connection, digest: str) -> Texts | None:
    """The texts of a bench; None where none are kept or what is kept cannot be read."""
    query = select(bench_texts.c.body).where(bench_texts.c.hash == digest)
    body = connection.execute(query).scalar_one_or_none()
    if body is None:
        return None
    try:
        return tuple((str(file), str(text)) for file, text in json.loads(body))
    except (ValueError, TypeError):
        return None
