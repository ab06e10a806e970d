"""Checking a database file before it is opened.

SQLite makes a new database of an empty file, and works with a damaged one until it reads the
damaged part. In both cases the bench would seem to be in order. So the file is checked first:
whether it is a database, whether it is empty although there was a database, and whether SQLite's
own check finds it sound. Nothing is written before.
"""

from __future__ import annotations

import contextlib
import os
import sqlite3
import stat
import time
from pathlib import Path
from urllib.parse import quote

from benchd.store.errors import StoreDamaged, StoreError

CHECK_LIMIT_S = 20.0  # a database of a gigabyte is read in about that time from a slow card
_STEPS_BETWEEN_LOOKS = 10_000  # of SQLite's virtual machine
_BESIDE = ("", "-wal", "-shm", "-journal")
_ADVICE = "Move it away or restore a backup; keep the -wal and -shm files with it."


def mark_of(file: Path) -> Path:
    """The file that says that a database was here."""
    return file.with_name(f"{file.name}.kept")


def look_at(file: Path) -> None:
    """Raises StoreError or StoreDamaged for a file that must not be opened as a database."""
    try:
        mode = os.stat(file).st_mode
    except FileNotFoundError:
        if file.is_symlink():
            raise StoreError(
                "the database is a link that leads to nothing.",
                where=str(file),
                advice="Is the disk that it leads to connected?",
            ) from None
        _refuse_new_bench(file, "is gone")
        return
    except OSError as error:
        raise StoreError(
            f"the database cannot be looked at: {error.strerror}.", where=str(file)
        ) from error
    if not stat.S_ISREG(mode):
        raise StoreError(
            "the database is no regular file.",
            where=str(file),
            advice="Choose another data folder, or move away what stands there.",
        )
    if os.stat(file).st_size == 0:
        _refuse_new_bench(file, "is empty")
        return
    _check_quickly(file)


def _refuse_new_bench(file: Path, what: str) -> None:
    if mark_of(file).exists():
        raise StoreDamaged(
            f"a database was kept here, and now it {what}: this is no new bench.",
            where=str(file),
            advice=f"Restore a backup in its place. To begin anew, remove {mark_of(file)} too.",
        )


def _check_quickly(file: Path) -> None:
    """SQLite's own check of the file's structure, by a connection that cannot write.

    A check that takes longer than CHECK_LIMIT_S is given up, so that the bench can start.
    """
    end_s = time.monotonic() + CHECK_LIMIT_S
    try:
        connection = sqlite3.connect(f"file:{quote(str(file))}?mode=ro", uri=True, timeout=5.0)
    except sqlite3.Error:
        return  # opening the database for work will fail too, and report the reason
    with contextlib.closing(connection):
        connection.set_progress_handler(lambda: int(time.monotonic() > end_s), _STEPS_BETWEEN_LOOKS)
        try:
            found = [str(row[0]) for row in connection.execute("PRAGMA quick_check(3)")]
        except sqlite3.DatabaseError as error:
            code = getattr(error, "sqlite_errorcode", 0) & 0xFF
            if code not in (sqlite3.SQLITE_CORRUPT, sqlite3.SQLITE_NOTADB):
                return
            found = [str(error)]
    if found != ["ok"]:
        said = "; ".join(" ".join(line.split()) for line in found)
        raise StoreDamaged(
            f"this is not a sound database ({said[:300]}).", where=str(file), advice=_ADVICE
        )


def keep_private(file: Path) -> None:
    """Make the file if it does not exist, and let nobody but its owner read or write it.

    SQLite gives its own files beside the database the same permissions. Files of another owner stay
    as they are.
    """
    with contextlib.suppress(OSError):
        os.close(os.open(file, os.O_RDWR | os.O_CREAT | os.O_CLOEXEC, 0o600))
    for ending in _BESIDE:
        tighten(file.with_name(file.name + ending))


def tighten(file: Path) -> None:
    """Take away the permissions of everybody but the owner, as far as we may."""
    with contextlib.suppress(OSError):
        mode = stat.S_IMODE(os.stat(file).st_mode)
        if mode & 0o077:
            os.chmod(file, mode & 0o700)


def make_private_folder(folder: Path) -> None:
    """Make a folder that only its owner may enter. One that exists stays as it is.

    Raises OSError.
    """
    if not folder.is_dir():
        folder.mkdir(mode=0o700, parents=True, exist_ok=True)


def leave_mark(file: Path) -> None:
    """Note beside the database that there is one. It does not fail if the disk is full."""
    mark = mark_of(file)
    if mark.exists():
        return
    with contextlib.suppress(OSError):
        descriptor = os.open(mark, os.O_WRONLY | os.O_CREAT | os.O_CLOEXEC, 0o600)
        with os.fdopen(descriptor, "w", encoding="ascii") as stream:
            stream.write(
                f"benchd keeps a database in {os.fsencode(file.name)!r}. While this file is here, "
                "an empty or missing\ndatabase is not taken for a new bench.\n"
            )
