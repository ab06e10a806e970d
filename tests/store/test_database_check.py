"""A database that is damaged, gone, emptied, no file, or open to others."""

from __future__ import annotations

import os
import shutil
import sqlite3
import stat
import subprocess
import sys
from pathlib import Path

import pytest

from benchd.store import Store, StoreDamaged, StoreError
from benchd.store.bench_lock import BenchLock
from benchd.store.database_check import mark_of
from benchd.store.schema import HEAD
from tests.store import examples


def filled(place: Path) -> str:
    """A database with enough in it that a damaged page is one that matters."""
    with Store.open(place) as store:
        job = store.add_job(examples.worksheet())
        for _ in range(20):
            store.commit_capture(examples.capture(job.id), step_index_after=None)
    return job.id


def test_a_damaged_page_is_found_at_the_start_and_nothing_is_overwritten(place: Path) -> None:
    filled(place)
    content = bytearray(place.read_bytes())
    for page in range(3, len(content) // 4096, 3):
        content[page * 4096 : page * 4096 + 200] = b"\xa5" * 200
    place.write_bytes(content)
    with pytest.raises(StoreDamaged, match="this is not a sound database") as caught:
        Store.open(place)
    assert (caught.value.where, "restore a backup" in caught.value.advice) == (str(place), True)
    assert place.read_bytes() == content


def test_a_database_cut_short_is_found_at_the_start(place: Path) -> None:
    filled(place)
    content = place.read_bytes()
    place.write_bytes(content[: len(content) // 2])
    with pytest.raises(StoreDamaged, match="this is not a sound database"):
        Store.open(place)
    assert place.read_bytes() == content[: len(content) // 2]


def test_what_stands_in_the_log_alone_is_not_folded_into_a_damaged_file(place: Path) -> None:
    """After kill -9 the newest commits are in the -wal file; a repair needs both as they were."""
    code = """
import os, sys
from benchd.store import Store
from tests.store import examples
store = Store.open(sys.argv[1])
job = store.add_job(examples.worksheet())
for _ in range(20):
    store.commit_capture(examples.capture(job.id), step_index_after=None)
os._exit(9)
"""
    filled(place)
    subprocess.run([sys.executable, "-c", code, str(place)], cwd=Path(__file__).parents[2])
    wal = place.with_name(place.name + "-wal")
    before = wal.read_bytes()
    assert len(before) > 100_000
    content = bytearray(place.read_bytes())
    for page in range(30, len(content) // 4096):
        content[page * 4096 : page * 4096 + 200] = b"\xa5" * 200
    place.write_bytes(content)
    with pytest.raises(StoreDamaged):
        Store.open(place)
    assert wal.read_bytes() == before


def test_a_check_that_takes_too_long_is_left_off(
    place: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    job = filled(place)
    monkeypatch.setattr("benchd.store.database_check.CHECK_LIMIT_S", -1.0)
    monkeypatch.setattr("benchd.store.database_check._STEPS_BETWEEN_LOOKS", 1)
    with Store.open(place) as store:
        assert store.job(job).id == job


def test_an_empty_file_where_a_database_was_is_no_new_bench(place: Path) -> None:
    filled(place)
    place.write_bytes(b"")
    with pytest.raises(StoreDamaged) as caught:
        Store.open(place)
    assert str(caught.value) == (
        f"{place}: a database was kept here, and now it is empty: this is no new bench. Restore a "
        f"backup in its place. To begin anew, remove {mark_of(place)} too."
    )
    assert place.read_bytes() == b""


def test_a_database_that_is_gone_is_no_new_bench(place: Path) -> None:
    filled(place)
    place.unlink()
    with pytest.raises(StoreDamaged, match="and now it is gone: this is no new bench"):
        Store.open(place)
    assert not place.exists()


def test_after_the_mark_is_removed_a_bench_begins_anew(place: Path) -> None:
    filled(place)
    place.unlink()
    mark_of(place).unlink()
    with Store.open(place) as store:
        assert store.jobs() == []


def test_a_backup_in_its_place_is_opened(place: Path, tmp_path: Path) -> None:
    job = filled(place)
    shutil.copyfile(place, tmp_path / "backup")
    place.write_bytes(b"")
    shutil.copyfile(tmp_path / "backup", place)
    with Store.open(place) as store:
        assert store.job(job).id == job


def test_a_first_start_that_was_cut_off_begins_again(place: Path) -> None:
    """SQLite makes an empty file first; without a mark nothing was ever kept in it."""
    place.parent.mkdir()
    place.write_bytes(b"")
    with Store.open(place) as store:
        store.add_job(examples.worksheet())
    assert mark_of(place).exists()


def test_a_database_from_before_there_were_marks_gets_one(place: Path) -> None:
    job = filled(place)
    mark_of(place).unlink()
    with Store.open(place) as store:
        assert store.job(job).id == job
    assert mark_of(place).exists()


@pytest.mark.parametrize("kind", ["pipe", "folder", "device", "link to a pipe"])
def test_what_is_no_regular_file_is_refused_and_hangs_nothing(place: Path, kind: str) -> None:
    place.parent.mkdir()
    if kind == "pipe":
        os.mkfifo(place)
    elif kind == "folder":
        place.mkdir()
    elif kind == "device":
        place.symlink_to("/dev/zero")
    else:
        os.mkfifo(place.with_name("pipe"))
        place.symlink_to(place.with_name("pipe"))
    with pytest.raises(StoreError, match="the database is no regular file"):
        Store.open(place)


def test_a_link_that_leads_to_nothing_is_refused(place: Path, tmp_path: Path) -> None:
    """The disk that it leads to may only not be connected."""
    place.parent.mkdir()
    place.symlink_to(tmp_path / "other-disk" / "bench.db")
    with pytest.raises(StoreError, match="the database is a link that leads to nothing"):
        Store.open(place)
    assert not (tmp_path / "other-disk").exists()


def test_a_link_to_a_database_is_followed(place: Path, tmp_path: Path) -> None:
    job = filled(tmp_path / "elsewhere.db")
    place.parent.mkdir()
    place.symlink_to(tmp_path / "elsewhere.db")
    with Store.open(place) as store:
        assert store.job(job).id == job


def _mode(path: Path) -> int:
    return stat.S_IMODE(path.stat().st_mode)


def test_only_the_owner_may_read_what_was_made(place: Path) -> None:
    """Whatever the umask says: database, log, lock and mark, and the folder if it was made here."""
    before = os.umask(0)
    try:
        with Store.open(place) as store, BenchLock(place, "workshop") as claim:
            store.add_job(examples.worksheet())
            found = {path.name: _mode(path) for path in place.parent.iterdir()}
            assert claim.path.name in found
    finally:
        os.umask(before)
    assert set(found) >= {"bench.db", "bench.db-wal", "bench.db-shm", "bench.db.kept"}
    assert set(found.values()) == {0o600}
    assert _mode(place.parent) == 0o700


def test_what_was_open_to_others_is_closed_to_them(place: Path) -> None:
    filled(place)
    BenchLock(place, "workshop").release()
    lock = place.with_name("bench.db.workshop.lock")
    for path in (place, lock):
        path.chmod(0o664)
    place.parent.chmod(0o755)
    with Store.open(place), BenchLock(place, "workshop"):
        assert (_mode(place), _mode(lock)) == (0o600, 0o600)
    # A folder of somebody else's making stays as it is: other things may lie in it.
    assert _mode(place.parent) == 0o755


def test_a_database_of_the_version_before_gets_checksums_and_keeps_its_rows(place: Path) -> None:
    job_id = filled(place)
    with Store.open(place) as store:
        store.commit_results(job_id, "x", [examples.record(job_id)], step_index_after=None)
        kept = store.results()
    other = sqlite3.connect(place)
    for table in ("captures", "results", "verdicts"):
        other.execute(f"ALTER TABLE {table} DROP COLUMN sha256")
    other.execute("DROP TABLE bench_texts")
    for column in ("serial", "batch", "answer", "reduced_index"):
        other.execute(f"ALTER TABLE jobs DROP COLUMN {column}")
    other.execute("UPDATE alembic_version SET version_num = '0004'")
    other.commit()
    other.close()
    with Store.open(place) as store:
        assert store.results() == kept
        assert len(store.captures()) == 20
        assert store.damage() == []
    other = sqlite3.connect(place)
    assert other.execute("SELECT version_num FROM alembic_version").fetchall() == [(HEAD,)]
    assert other.execute("SELECT DISTINCT sha256 FROM results").fetchall() == [(None,)]
    other.close()
