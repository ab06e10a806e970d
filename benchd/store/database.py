"""Opening the database, transactions, and its version.

SQLite in WAL mode with `synchronous = FULL`: in WAL, NORMAL may lose the last commits when the
power fails (sqlite.org/pragma.html#pragma_synchronous), and a capture that was reported stored
must be there. Reads begin deferred, writes begin IMMEDIATE: a transaction that reads first and
writes later can otherwise fail at its first write.
"""

from __future__ import annotations

import os
import threading
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

from sqlalchemy import URL, Connection, Engine, create_engine, event, inspect, make_url, text

from benchd.store.database_check import keep_private, leave_mark, look_at, make_private_folder
from benchd.store.errors import StoreError, StoreTooNew, translated
from benchd.store.schema import HEAD, metadata

BUSY_TIMEOUT_MS = 5000
_WRITES = "benchd_writes"


def as_url(place: str | os.PathLike[str]) -> URL:
    """A database URL from a URL or the path of an SQLite file."""
    if isinstance(place, str) and "://" in place:
        return make_url(place)
    return URL.create("sqlite", database=os.fspath(place))


def file_of(url: URL) -> Path | None:
    """The SQLite file that a URL names; None for any other database."""
    if url.get_backend_name() != "sqlite" or not url.database:
        return None
    name = url.database.removeprefix("file:") if url.query.get("uri") else url.database
    return None if name == ":memory:" else Path(name)


def _prepare_sqlite(engine: Engine) -> None:
    @event.listens_for(engine, "connect")
    def connected(dbapi_connection, _record) -> None:  # type: ignore[no-untyped-def]
        # Python's own transaction handling begins late and commits before some statements;
        # we begin and end by hand (SQLAlchemy's documented way for SQLite).
        dbapi_connection.isolation_level = None
        cursor = dbapi_connection.cursor()
        cursor.execute(f"PRAGMA busy_timeout = {BUSY_TIMEOUT_MS}")
        cursor.execute("PRAGMA foreign_keys = ON")
        cursor.execute("PRAGMA journal_mode = WAL")
        cursor.execute("PRAGMA synchronous = FULL")
        cursor.close()

    @event.listens_for(engine, "begin")
    def begun(connection: Connection) -> None:
        writes = connection.get_execution_options().get(_WRITES, False)
        connection.exec_driver_sql("BEGIN IMMEDIATE" if writes else "BEGIN")


class Database:
    """One engine and the transactions on it. Safe to use from several threads.

    One thread writes at a time; a thread that is inside a transaction joins it.
    """

    def __init__(self, place: str | os.PathLike[str], *, is_open_elsewhere: bool = False) -> None:
        """is_open_elsewhere: another process has checked it and holds it open."""
        self.url = as_url(place)
        self.file = file_of(self.url)
        self.name = str(self.file) if self.file else self.url.render_as_string()
        if self.url.get_backend_name() == "sqlite" and self.file is None:
            raise StoreError(
                "a database in memory cannot keep anything.",
                where=self.name,
                advice="Give the path of a file.",
            )
        self._make_folder()
        # A database that is opened only for reading is not created, marked or made private.
        self._ours = self.file is not None and self.url.query.get("mode") != "ro"
        if self.file is not None and not is_open_elsewhere:
            look_at(self.file)
            if self._ours:
                keep_private(self.file)
        self.engine = create_engine(self.url)
        if self.file is not None:
            _prepare_sqlite(self.engine)
        self._write_lock = threading.RLock()
        self._local = threading.local()

    def _make_folder(self) -> None:
        if self.file is None:
            return
        try:
            make_private_folder(self.file.parent)
        except OSError as error:
            raise StoreError(
                f"the folder for the database cannot be made: {error.strerror}.",
                where=str(self.file.parent),
                advice="Choose another folder, or make this one and allow benchd to write there.",
            ) from error

    @contextmanager
    def reading(self) -> Iterator[Connection]:
        """A connection for reading: the thread's own transaction if it is inside one."""
        joined: Connection | None = getattr(self._local, "connection", None)
        with translated(self.name):
            if joined is not None:
                yield joined
                return
            with self.engine.connect() as connection, connection.begin():
                yield connection

    @contextmanager
    def writing(self) -> Iterator[Connection]:
        """A write transaction, committed at the end, undone on any exception.

        Inside another transaction it is a part of that one; if it fails, only this part is undone.
        """
        joined: Connection | None = getattr(self._local, "connection", None)
        if joined is not None:
            with translated(self.name), joined.begin_nested():
                yield joined
            return
        with self._write_lock, translated(self.name), self.engine.connect() as plain:
            connection = plain.execution_options(**{_WRITES: True})
            with connection.begin():
                self._local.connection = connection
                try:
                    yield connection
                finally:
                    self._local.connection = None

    @property
    def in_transaction(self) -> bool:
        """True if the calling thread is inside `writing`."""
        return getattr(self._local, "connection", None) is not None

    def migrate(self) -> None:
        """Bring the tables to this program's version.

        Raises StoreTooNew if a newer program has been here; nothing is changed then.
        """
        self._migrate()
        if self._ours and self.file is not None:
            leave_mark(self.file)

    def _migrate(self) -> None:
        if self._version() == HEAD:
            return
        with self.writing() as connection:
            # The version is read again inside the transaction, since another program may have
            # upgraded the database meanwhile.
            version = _version(connection)
            if version == HEAD:
                return
            if version is None and not inspect(connection).get_table_names():
                _make_tables(connection)
                return
            # Only an upgrade pays for this import.
            from benchd.store.migrations.upgrade import known_versions, upgrade

            if version is not None and version not in known_versions():
                raise StoreTooNew(
                    f"the database has version {version}, made by a newer benchd; this one knows "
                    f"versions up to {HEAD}. Nothing was changed.",
                    where=self.name,
                    advice="Install the newer benchd, or start with another data folder.",
                )
            upgrade(connection)

    def _version(self) -> str | None:
        with self.reading() as connection:
            return _version(connection)

    def close(self) -> None:
        """Close all connections. SQLite folds its log into the file."""
        self.engine.dispose()


def _make_tables(connection: Connection) -> None:
    """Give a new database the tables and the version that all migrations together would give it.

    Running them takes a fifth of a second, most of it for loading Alembic.
    """
    metadata.create_all(connection)
    connection.execute(
        text(
            "CREATE TABLE alembic_version (version_num VARCHAR(32) NOT NULL, "
            "CONSTRAINT alembic_version_pkc PRIMARY KEY (version_num))"
        )
    )
    connection.execute(
        text("INSERT INTO alembic_version (version_num) VALUES (:head)"), {"head": HEAD}
    )


def _version(connection: Connection) -> str | None:
    if not inspect(connection).has_table("alembic_version"):
        return None
    return connection.execute(text("SELECT version_num FROM alembic_version")).scalar()
