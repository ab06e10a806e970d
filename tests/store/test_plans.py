"""How SQLite finds the rows of the lists that are asked for most: by an index, without reading all.

SQLite itself tells it (sqlite.org/eqp.html): "SCAN" without an index reads the whole table, "USE
TEMP B-TREE FOR ORDER BY" sorts all that was found.
"""

from __future__ import annotations

import re
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

import pytest
from alembic import command
from sqlalchemy import create_engine, event

from benchd.store import JobState, Store
from benchd.store.migrations import upgrade
from benchd.store.migrations.versions import v0009_by_time
from benchd.traces import Role
from tests.store import examples

BENCH, ANTENNA = "workshop", "dipole r3"

LISTS: dict[str, tuple[Callable[[Store], Any], str]] = {
    "newest jobs": (lambda s: s.jobs(limit=100), "ix_jobs_created_at_id"),
    "newest captures": (lambda s: s.captures(limit=100), "ix_captures_taken_at_id"),
    "captures of an antenna": (
        lambda s: s.captures(antenna=ANTENNA, limit=100),
        "ix_captures_antenna_taken_at_id",
    ),
    "captures for a baseline": (
        lambda s: s.captures(bench=BENCH, route="middle", role=Role.SHORT, limit=1),
        "ix_captures_bench_role_route_taken_at",
    ),
    "newest results": (lambda s: s.results(limit=1000), "ix_results_reduced_at"),
    "newest results of a bench": (
        lambda s: s.results(bench=BENCH, limit=1000),
        "ix_results_bench_reduced_at",
    ),
    "history of an antenna": (
        lambda s: s.results(bench=BENCH, antenna=ANTENNA, limit=5000),
        "ix_results_bench_antenna_reduced_at",
    ),
    "results of an antenna": (
        lambda s: s.results(antenna=ANTENNA, limit=1000),
        "ix_results_antenna_reduced_at",
    ),
    "a quantity of a bench": (
        lambda s: s.results(bench=BENCH, quantity="directivity", limit=1),
        "ix_results_bench_quantity_reduced_at",
    ),
}

OF_A_JOB: dict[str, Callable[[Store, str], Any]] = {
    "results": lambda s, job: s.results(job_id=job, bench=BENCH, antenna=ANTENNA),
    "captures": lambda s, job: s.captures(job_id=job, bench=BENCH, antenna=ANTENNA),
}


@contextmanager
def plans(store: Store) -> Iterator[list[str]]:
    """The plan of every SELECT that the store sends meanwhile."""
    asked: list[tuple[str, Any]] = []

    def sent(
        connection: Any, cursor: Any, statement: str, parameters: Any, context: Any, many: Any
    ) -> None:
        if statement.lstrip().upper().startswith("SELECT"):
            asked.append((statement, parameters))

    engine = store._database.engine
    event.listen(engine, "before_cursor_execute", sent)
    found: list[str] = []
    try:
        yield found
    finally:
        event.remove(engine, "before_cursor_execute", sent)
    with engine.connect() as connection:
        for statement, parameters in asked:
            rows = connection.exec_driver_sql(f"EXPLAIN QUERY PLAN {statement}", parameters)
            found.extend(str(row[3]) for row in rows)


@pytest.mark.parametrize("name", LISTS)
def test_a_list_is_read_by_its_index_in_its_order(store: Store, name: str) -> None:
    ask, index = LISTS[name]
    with plans(store) as found:
        ask(store)
    assert len([line for line in found if f"INDEX {index} " in f"{line} "]) == 1, found
    assert "USE TEMP B-TREE FOR ORDER BY" not in found


@pytest.mark.parametrize("table", OF_A_JOB)
def test_what_belongs_to_a_job_is_found_by_the_job(store: Store, table: str) -> None:
    job = store.add_job(examples.worksheet())
    shot = examples.capture(job.id)
    store.commit_capture(shot, step_index_after=None)
    made = examples.record(job.id)
    store.commit_results(job.id, "dipole", [made], step_index_after=None)
    with plans(store) as found:
        (row,) = OF_A_JOB[table](store, job.id)
    assert row.id in (shot.id, made.id)
    assert any(f"INDEX ix_{table}_job_id (job_id=?)" in line for line in found), found


def test_of_a_job_only_what_fits_the_rest_is_listed(store: Store) -> None:
    job = store.add_job(examples.worksheet())
    made = [
        examples.record(job.id, antenna="dipole r3"),
        examples.record(job.id, antenna="dipole r4"),
        examples.record(job.id, antenna=None),
    ]
    store.commit_results(job.id, "dipole", made, step_index_after=None)
    found = store.results(job_id=job.id, antenna="dipole r4", bench=BENCH, quantity="return_loss")
    assert [one.id for one in found] == [made[1].id]
    assert store.results(job_id=job.id, antenna="", bench=BENCH) == []


def test_measured_antennas_are_found_without_reading_every_result(store: Store) -> None:
    job = store.add_job(examples.worksheet())
    for name in ("yagi r1", "dipole r3", "yagi r1", "", "dipole r2"):
        made = examples.record(job.id, antenna=name)
        store.commit_results(job.id, "dipole", [made], step_index_after=None)
    store.commit_results(job.id, "dipole", [examples.record(job.id, antenna=None)],
                         step_index_after=None)  # fmt: skip
    with plans(store) as found:
        names = store.measured_antennas(BENCH)
    assert sorted(names) == ["", "dipole r2", "dipole r3", "yagi r1"]
    assert not [line for line in found if re.match(r"SCAN results\b", line)], found
    assert store.measured_antennas("another") == []


def test_yesterdays_database_gets_the_indexes_and_keeps_its_rows(place: Path) -> None:
    with Store.open(place) as store:
        job = store.add_job(examples.worksheet())
        made = examples.record(job.id)
        store.commit_results(job.id, "dipole", [made], step_index_after=None)
    engine = create_engine(f"sqlite:///{place}")
    with engine.begin() as connection:
        config = upgrade._config()
        config.attributes["connection"] = connection
        for name in v0009_by_time._INDEXES:
            connection.exec_driver_sql(f"DROP INDEX {name}")
        connection.exec_driver_sql("ALTER TABLE jobs DROP COLUMN reduced_index")  # of 0010
        command.stamp(config, "0008")
    engine.dispose()
    with Store.open(place) as store, plans(store) as found:
        assert store.results(limit=10) == [made]
        assert store.jobs(states=[JobState.WAITING])[0].id == job.id
    assert "SCAN results USING INDEX ix_results_reduced_at" in found
