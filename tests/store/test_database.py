import json
import os
import sqlite3
import subprocess
import sys
import threading
from pathlib import Path

import pytest
from alembic import command
from alembic.autogenerate import compare_metadata
from alembic.migration import MigrationContext
from alembic.script import ScriptDirectory
from sqlalchemy import create_engine, insert, select
from sqlalchemy.dialects import postgresql
from sqlalchemy.schema import CreateIndex, CreateTable

from benchd.store import (
    JobState,
    Store,
    StoreDamaged,
    StoreError,
    StoreFull,
    StoreReadOnly,
    StoreTooNew,
)
from benchd.store.migrations import upgrade
from benchd.store.schema import HEAD, metadata
from tests.store import examples


def rows(place: Path, query: str) -> list[tuple]:
    """As any other program would read the file."""
    other = sqlite3.connect(place)
    try:
        return other.execute(query).fetchall()
    finally:
        other.close()


def change(place: Path, statement: str) -> None:
    other = sqlite3.connect(place)
    try:
        other.execute(statement)
        other.commit()
    finally:
        other.close()


def test_what_a_method_stored_is_seen_by_another_program_at_once(store: Store, place: Path) -> None:
    job = store.add_job(examples.worksheet())
    assert rows(place, "SELECT id, state FROM jobs") == [(job.id, "waiting")]


def test_the_file_is_kept_as_safely_as_sqlite_can(store: Store) -> None:
    with store._database.reading() as connection:
        found = {
            name: connection.exec_driver_sql(f"PRAGMA {name}").scalar()
            for name in ("journal_mode", "synchronous", "busy_timeout", "foreign_keys")
        }
    # synchronous: 2 is FULL (sqlite.org/pragma.html#pragma_synchronous).
    assert found == {
        "journal_mode": "wal",
        "synchronous": 2,
        "busy_timeout": 5000,
        "foreign_keys": 1,
    }


def test_a_store_opened_again_holds_what_it_held(place: Path) -> None:
    with Store.open(place) as store:
        job = store.add_job(examples.worksheet())
    with Store.open(f"sqlite:///{place}") as again:
        assert again.job(job.id) == job


def test_a_folder_with_awkward_characters_works(tmp_path: Path) -> None:
    place = tmp_path / "50 % off?" / "a#b.db"
    with Store.open(place) as store:
        store.add_job(examples.worksheet())
    assert place.exists()


def by_migrations(place: Path, version: str = "head") -> None:
    """A database that has gone through all migrations up to that one."""
    place.parent.mkdir(exist_ok=True)
    engine = create_engine(f"sqlite:///{place}")
    config = upgrade._config()
    with engine.begin() as connection:
        config.attributes["connection"] = connection
        command.upgrade(config, version)
    engine.dispose()


WORDS = ("AUTOINCREMENT", "CHECK", "COLLATE")


def described(place: Path) -> dict[str, dict[str, list[tuple]]]:
    """Table -> its columns in their order, keys, indexes and what else its SQL says of it."""
    found = {}
    for name, sql in rows(place, "SELECT name, sql FROM sqlite_master WHERE type = 'table'"):
        indexes = rows(place, f"PRAGMA index_list({name})")
        keys = rows(place, f"PRAGMA foreign_key_list({name})")
        found[name] = {
            "columns": rows(place, f"PRAGMA table_xinfo({name})"),
            "foreign keys": sorted(one[2:] for one in keys),
            "indexes": sorted(
                (*index[1:], *rows(place, f"PRAGMA index_xinfo('{index[1]}')")) for index in indexes
            ),
            "words": [(word, str(sql).upper().count(word)) for word in WORDS],
        }
    return found


def test_the_migrations_make_exactly_the_tables_of_the_schema(place: Path) -> None:
    by_migrations(place)
    engine = create_engine(f"sqlite:///{place}")
    with engine.connect() as connection:
        context = MigrationContext.configure(connection, opts={"compare_type": True})
        assert compare_metadata(context, metadata) == []
    engine.dispose()


def test_a_new_database_is_the_same_as_one_that_went_through_all_migrations(
    store: Store, place: Path, tmp_path: Path
) -> None:
    by_migrations(tmp_path / "migrated.db")
    new, migrated = described(place), described(tmp_path / "migrated.db")
    assert {"alembic_version", "jobs", "results"} <= set(new)
    assert new == migrated
    version = "SELECT version_num FROM alembic_version"
    assert rows(place, version) == rows(tmp_path / "migrated.db", version) == [(HEAD,)]


def test_the_newest_migration_is_the_one_that_the_schema_names() -> None:
    assert ScriptDirectory.from_config(upgrade._config()).get_heads() == [HEAD]
    assert HEAD in upgrade.known_versions()


@pytest.mark.parametrize("times_opened_before", [0, 1])
def test_a_start_on_a_new_or_current_database_does_not_import_the_migrations(
    place: Path, times_opened_before: int
) -> None:
    for _ in range(times_opened_before):
        Store.open(place).close()
    code = (
        "import sys; from benchd.store import Store; Store.open(sys.argv[1]).close(); "
        "print('alembic' in sys.modules)"
    )
    done = subprocess.run(
        [sys.executable, "-c", code, str(place)], capture_output=True, text=True, check=True
    )
    assert done.stdout == "False\n"


def test_a_database_of_a_newer_benchd_is_refused_unchanged(place: Path) -> None:
    Store.open(place).close()
    change(place, "UPDATE alembic_version SET version_num = '9999'")
    with pytest.raises(StoreTooNew, match="version 9999, made by a newer benchd") as caught:
        Store.open(place)
    assert caught.value.where == str(place)
    assert rows(place, "SELECT version_num FROM alembic_version") == [("9999",)]


def test_a_database_of_before_epochs_were_kept_counts_on_in_its_own(place: Path) -> None:
    by_migrations(place, "0001")
    engine = create_engine(f"sqlite:///{place}")
    with engine.begin() as connection:
        for stream, last in (("*", 7), ("job", 7), ("result", 5)):
            connection.execute(
                insert(metadata.tables["sequences"]).values(
                    bench="workshop", stream=stream, epoch="epoch-old", last=last
                )
            )
    engine.dispose()
    with Store.open(place) as store:
        (epoch,) = store.epochs("workshop")
        assert (epoch.epoch, epoch.first, epoch.handed, epoch.reason) == ("epoch-old", 1, 7, "")
        store.add_job(examples.worksheet())
        (row,) = store.outbox_pending("workshop")
    message = json.loads(row.payload)
    assert (message["epoch"], message["sequence"], message["previous"]) == ("epoch-old", 8, 7)


def test_two_programs_that_open_a_new_file_together_make_one_database(place: Path) -> None:
    code = "import sys; from benchd.store import Store; Store.open(sys.argv[1]).close()"
    command = [sys.executable, "-c", code, str(place)]
    started = [subprocess.Popen(command, stderr=subprocess.PIPE, text=True) for _ in range(3)]
    assert [(each.communicate()[1], each.returncode) for each in started] == [("", 0)] * 3
    assert rows(place, "SELECT version_num FROM alembic_version") == [(HEAD,)]


def test_a_file_that_is_no_database_is_left_alone(tmp_path: Path) -> None:
    place = tmp_path / "notes.txt"
    place.write_text("Dipole r3: trim 2 mm off each arm.\n" * 100)
    before = place.read_bytes()
    with pytest.raises(StoreDamaged, match=r"notes\.txt: this is not a sound database"):
        Store.open(place)
    assert place.read_bytes() == before


def test_a_folder_that_cannot_be_made_is_named(tmp_path: Path) -> None:
    (tmp_path / "file").write_text("")
    with pytest.raises(StoreError, match="the folder for the database cannot be made"):
        Store.open(tmp_path / "file" / "bench.db")


def test_a_database_in_memory_is_refused() -> None:
    with pytest.raises(StoreError, match="a database in memory cannot keep anything"):
        Store.open("sqlite://")


def test_a_database_that_may_not_be_written_can_be_read_but_says_so(place: Path) -> None:
    with Store.open(place) as store:
        job = store.add_job(examples.worksheet())
    with Store.open(f"sqlite:///file:{place}?mode=ro&uri=true") as store:
        assert store.job(job.id) == job
        with pytest.raises(StoreReadOnly, match="the database may not be written"):
            store.add_job(examples.worksheet())


def test_a_full_disk_is_reported_and_loses_nothing_that_was_stored(store: Store) -> None:
    job = store.add_job(examples.worksheet())
    kept = examples.capture(job.id)
    store.commit_capture(kept, step_index_after=1)
    pages = _limit_pages(store, extra=2)
    big = examples.capture(job.id, traces=(examples.trace(50_000),))
    with pytest.raises(StoreFull, match="the disk is full") as caught:
        store.commit_capture(big, step_index_after=2)
    assert "Free some space" in caught.value.advice
    assert [row.id for row in store.captures()] == [kept.id]
    assert store.job(job.id).step_index == 1
    # With room again, the same store goes on.
    _limit_pages(store, extra=pages + 10_000)
    store.commit_capture(big, step_index_after=2)
    assert store.job(job.id).step_index == 2


def _limit_pages(store: Store, *, extra: int) -> int:
    """Have SQLite itself answer SQLITE_FULL; the limit belongs to the pooled connection."""
    with store._database.reading() as connection:
        count = int(connection.exec_driver_sql("PRAGMA page_count").scalar() or 0)
        connection.exec_driver_sql(f"PRAGMA max_page_count = {count + extra}")
    return count


def test_a_disk_that_takes_no_more_bytes_is_reported(place: Path) -> None:
    """A real refusal by the kernel (a limit on file size), in a process of its own."""
    with Store.open(place) as store:
        job = store.add_job(examples.worksheet())
    code = """
import resource, signal, sys
from benchd.store import Store, StoreError
from tests.store import examples
signal.signal(signal.SIGXFSZ, signal.SIG_IGN)
with Store.open(sys.argv[1]) as store:
    resource.setrlimit(resource.RLIMIT_FSIZE, (200_000, resource.RLIM_INFINITY))
    big = examples.capture(sys.argv[2], traces=(examples.trace(100_000),))
    try:
        store.commit_capture(big, step_index_after=1)
    except StoreError as error:
        print(type(error).__name__, error.message)
    resource.setrlimit(resource.RLIMIT_FSIZE, (resource.RLIM_INFINITY, resource.RLIM_INFINITY))
    print(len(store.captures()), store.job(sys.argv[2]).step_index)
"""
    done = subprocess.run(
        [sys.executable, "-c", code, str(place), job.id],
        capture_output=True,
        text=True,
        check=True,
        cwd=Path(__file__).parents[2],
    )
    said, counts = done.stdout.splitlines()
    assert said.startswith(("StoreFull the disk is full", "StoreError the disk refused"))
    assert counts == "0 0"


def test_a_database_held_by_another_program_is_reported(place: Path, monkeypatch) -> None:
    monkeypatch.setattr("benchd.store.database.BUSY_TIMEOUT_MS", 1)
    with Store.open(place) as store:
        other = sqlite3.connect(place, isolation_level=None)
        other.execute("BEGIN IMMEDIATE")
        try:
            with pytest.raises(StoreError, match="another program holds the database"):
                store.add_job(examples.worksheet())
        finally:
            other.close()
        store.add_job(examples.worksheet())


def test_joined_calls_are_stored_together_or_not_at_all(store: Store, place: Path) -> None:
    job = store.add_job(examples.worksheet())
    with pytest.raises(RuntimeError, match="stop here"), store.atomic() as together:  # noqa: PT012
        together.commit_capture(examples.capture(job.id), step_index_after=1)
        assert together.job(job.id).step_index == 1
        assert rows(place, "SELECT step_index FROM jobs") == [(0,)]
        raise RuntimeError("stop here")
    assert store.job(job.id).step_index == 0
    assert store.captures() == []
    with store.atomic() as together:
        together.commit_capture(examples.capture(job.id), step_index_after=1)
        together.set_state(job.id, JobState.RUNNING)
    assert rows(place, "SELECT step_index, state FROM jobs") == [(1, "running")]


def test_a_failed_call_inside_a_joined_one_is_undone_by_itself(store: Store) -> None:
    job = store.add_job(examples.worksheet())
    with store.atomic() as together:
        together.set_state(job.id, JobState.RUNNING)
        broken = examples.capture(job.id, bindings={"no": object()})
        with pytest.raises(TypeError, match="cannot be stored"):
            together.commit_capture(broken, step_index_after=2)
    assert store.job(job.id).state is JobState.RUNNING
    assert store.captures() == []
    assert store.last_sequence("workshop") == 2


def test_many_threads_share_a_store_without_a_gap_or_an_error(store: Store) -> None:
    job = store.add_job(examples.worksheet())
    failures: list[BaseException] = []

    def work() -> None:
        try:
            for _ in range(25):
                store.commit_capture(examples.capture(job.id), step_index_after=1)
                store.set_state(job.id, JobState.RUNNING)
                store.outbox_pending("workshop", 5)
        except BaseException as error:
            failures.append(error)

    threads = [threading.Thread(target=work) for _ in range(4)]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    assert failures == []
    assert len(store.captures()) == 100
    sequences = [row.sequence for row in store.outbox_pending("workshop", limit=1000)]
    assert sequences == list(range(1, 102))


def test_all_tables_can_be_made_in_postgresql() -> None:
    dialect = postgresql.dialect()
    text = "".join(
        str(statement.compile(dialect=dialect))
        for table in metadata.sorted_tables
        for statement in (CreateTable(table), *map(CreateIndex, table.indexes))
    )
    assert "number BIGSERIAL NOT NULL" in text
    assert "data BYTEA NOT NULL" in text
    assert str(select(metadata.tables["jobs"]).compile(dialect=dialect)).startswith("SELECT jobs.")


def test_the_store_leaves_no_open_file_behind(place: Path) -> None:
    with Store.open(place) as store:
        store.add_job(examples.worksheet())
    held = [
        os.readlink(f"/proc/self/fd/{fd}") for fd in os.listdir("/proc/self/fd") if _is_open(fd)
    ]
    assert [name for name in held if name.startswith(str(place))] == []


def _is_open(descriptor: str) -> bool:
    return os.path.lexists(f"/proc/self/fd/{descriptor}")
