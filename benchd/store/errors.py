"""What can go wrong in the store.

    BenchdError
      StoreError            the database cannot be used as things stand
        StoreFull           the disk is full; nothing of the failed transaction was kept
        StoreReadOnly       the file or its folder may not be written
        StoreDamaged        the file is not a database, or its contents fail a check
        StoreTooNew         a newer benchd has written it
      OrderRefused
        WrongState          a job is in a state in which this cannot be done
        BenchClaimed        another benchd runs this bench

Errors of the database library never leave this room unmapped: `translated` maps them.
"""

from __future__ import annotations

import sqlite3
from collections.abc import Iterator
from contextlib import contextmanager

from sqlalchemy import exc

from benchd.errors import BenchdError, OrderRefused


class StoreError(BenchdError):
    """The database cannot be used as things stand; nothing was changed."""

    family = "store"


class StoreFull(StoreError):
    """No room is left on the disk."""


class StoreReadOnly(StoreError):
    """The database may not be written."""


class StoreDamaged(StoreError):
    """What was read is not what was once written."""


class StoreTooNew(StoreError):
    """The database was made by a newer benchd."""


class WrongState(OrderRefused):
    """The job's state does not allow it."""


class BenchClaimed(OrderRefused):
    """Another running benchd owns the bench."""


def _sqlite_code(error: exc.DBAPIError) -> int | None:
    # The low byte is the primary code; the rest says more (sqlite.org/rescode.html).
    code = getattr(error.orig, "sqlite_errorcode", None)
    return None if code is None else int(code) & 0xFF


def from_database(error: exc.DBAPIError, where: str) -> StoreError:
    """The StoreError for an error of the database library."""
    said = str(error.orig)
    match _sqlite_code(error):
        case sqlite3.SQLITE_FULL:
            return StoreFull(
                f"the disk is full ({said}); nothing of this step was stored.",
                where=where,
                advice="Free some space; a running daemon then goes on by itself. "
                "All that was stored before is safe.",
            )
        case sqlite3.SQLITE_READONLY | sqlite3.SQLITE_PERM:
            return StoreReadOnly(
                f"the database may not be written ({said}).",
                where=where,
                advice="Make the file and its folder writable for the user that runs benchd.",
            )
        case sqlite3.SQLITE_CANTOPEN:
            return StoreError(
                f"the database cannot be opened ({said}).",
                where=where,
                advice="Check that the folder exists and may be written.",
            )
        case sqlite3.SQLITE_NOTADB | sqlite3.SQLITE_CORRUPT:
            return StoreDamaged(
                f"this is not a sound database ({said}).",
                where=where,
                advice="Move it away or restore a backup; keep the -wal and -shm files with it.",
            )
        case sqlite3.SQLITE_BUSY | sqlite3.SQLITE_LOCKED:
            return StoreError(
                f"another program holds the database ({said}).",
                where=where,
                advice="Close other programs that have it open, then try again.",
            )
        case sqlite3.SQLITE_IOERR:
            return StoreError(
                f"the disk refused to read or write ({said}).",
                where=where,
                advice="Check free space and the health of the disk or card.",
            )
    return StoreError(f"the database refused: {said}", where=where)


@contextmanager
def translated(where: str) -> Iterator[None]:
    """Map errors of the database library to StoreError, keeping the cause.

    A value that cannot be stored (a time without a zone) raises its own ValueError.
    """
    try:
        yield
    except exc.DBAPIError as error:
        raise from_database(error, where) from error
    except exc.StatementError as error:
        if error.orig is None:
            raise
        raise error.orig from error
