import sqlite3
from datetime import UTC, datetime, timedelta
from pathlib import Path

import numpy as np
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from benchd.store import Store, StoreDamaged, StoreError, UnknownId
from benchd.traces import Form, Role, Trace
from tests.generated import many
from tests.store import examples

# Every bit pattern of a double: signalling and quiet NaNs with payloads, -0.0, subnormals.
BITS = st.integers(0, 2**64 - 1)


def from_bits(patterns: list[int]) -> np.ndarray:
    return np.array(patterns, dtype=np.uint64).view(np.float64)


def stored_bytes(array: np.ndarray) -> tuple[bytes, np.dtype, tuple[int, ...]]:
    return array.tobytes(), array.dtype, array.shape


@settings(
    deadline=None,
    max_examples=many(60),
    suppress_health_check=[HealthCheck.function_scoped_fixture],
)
@given(
    levels=st.lists(BITS, min_size=1, max_size=40),
    complex_parts=st.lists(st.tuples(BITS, BITS), min_size=1, max_size=20),
    visited=st.booleans(),
)
def test_traces_come_back_bit_for_bit(
    store: Store, levels: list[int], complex_parts: list[tuple[int, int]], visited: bool
) -> None:
    real = from_bits(levels)
    ratio = from_bits([part for pair in complex_parts for part in pair]).view(np.complex128)
    mask = np.arange(real.size) % 2 == 0 if visited else None
    grid = np.linspace(4e8, 6e9, 40)
    written = (
        Trace("level", Form.LEVEL_DBM, grid[: real.size], real, mask),
        Trace("ratio", Form.RATIO_COMPLEX, np.nextafter(grid[: ratio.size], 0), ratio),
    )
    job = store.add_job(examples.worksheet())
    capture = examples.capture(job.id, traces=written)
    store.commit_capture(capture, step_index_after=1)
    read = store.capture(capture.id).traces
    for before, after in zip(written, read, strict=True):
        assert (after.name, after.form) == (before.name, before.form)
        assert stored_bytes(after.frequency_hz) == stored_bytes(before.frequency_hz)
        assert stored_bytes(after.values) == stored_bytes(before.values)
    if mask is None:
        assert read[0].visited is None
    else:
        np.testing.assert_array_equal(read[0].visited, mask)


def test_a_capture_keeps_everything_that_produced_it(store: Store) -> None:
    job = store.add_job(examples.worksheet())
    capture = examples.capture(job.id)
    store.commit_capture(capture, step_index_after=1)
    back = store.capture(capture.id)
    names = [name for name in capture.__dataclass_fields__ if name != "traces"]
    assert {name: getattr(back, name) for name in names} == {
        name: getattr(capture, name) for name in names
    }


def test_a_capture_moves_its_job_on_in_the_same_transaction(store: Store) -> None:
    job = store.add_job(examples.worksheet())
    store.commit_capture(examples.capture(job.id), step_index_after=2)
    assert store.job(job.id).step_index == 2
    broken = examples.capture(job.id, bindings={"not": {"storable"}})
    with pytest.raises(TypeError, match="set cannot be stored"):
        store.commit_capture(broken, step_index_after=3)
    assert store.job(job.id).step_index == 2
    assert len(store.captures(job_id=job.id)) == 1


def test_a_capture_id_cannot_be_stored_twice(store: Store) -> None:
    job = store.add_job(examples.worksheet())
    capture = examples.capture(job.id)
    store.commit_capture(capture, step_index_after=1)
    with pytest.raises(StoreError, match="UNIQUE constraint failed"):
        store.commit_capture(capture, step_index_after=2)
    assert store.job(job.id).step_index == 1


def test_a_capture_of_an_unknown_job_is_refused(store: Store) -> None:
    with pytest.raises(StoreError, match="FOREIGN KEY constraint failed"):
        store.commit_capture(examples.capture("job-none"), step_index_after=None)


def test_captures_are_found_by_what_they_are_newest_first(store: Store) -> None:
    first, second = (store.add_job(examples.worksheet()) for _ in range(2))
    made = {
        name: examples.capture(job.id, taken_at=examples.TAKEN_AT + timedelta(hours=hour), **what)
        for name, job, hour, what in [
            ("open", first, 0, {"role": Role.OPEN, "antenna": None}),
            ("test", first, 1, {}),
            ("range", second, 3, {"route": "range", "role": Role.REFERENCE}),
            ("other bench", second, 2, {"bench": "roof"}),
        ]
    }
    for capture in made.values():
        store.commit_capture(capture, step_index_after=None)

    def found(**wanted) -> list[str]:
        by_id = {capture.id: name for name, capture in made.items()}
        return [by_id[row.id] for row in store.captures(**wanted)]

    assert found() == ["range", "other bench", "test", "open"]
    assert found(limit=2) == ["range", "other bench"]
    assert found(bench="roof") == ["other bench"]
    assert found(role=Role.OPEN) == ["open"]
    assert found(route="middle", bench="workshop") == ["test", "open"]
    assert found(antenna="dipole r3", job_id=first.id) == ["test"]


def test_a_listed_capture_loads_its_traces_when_asked(store: Store) -> None:
    job = store.add_job(examples.worksheet())
    capture = examples.capture(job.id)
    store.commit_capture(capture, step_index_after=None)
    (row,) = store.captures()
    assert (row.role, row.settings, row.flags) == (Role.TEST, capture.settings, capture.flags)
    np.testing.assert_array_equal(row.load().level.values, capture.level.values)


def test_an_unknown_capture_is_named(store: Store) -> None:
    with pytest.raises(UnknownId, match="there is no capture cap-none"):
        store.capture("cap-none")


def test_a_time_without_a_zone_is_refused(store: Store) -> None:
    job = store.add_job(examples.worksheet())
    naive = examples.capture(job.id, taken_at=datetime(2026, 3, 1))
    with pytest.raises(ValueError, match="has no zone"):
        store.commit_capture(naive, step_index_after=None)


def test_times_of_other_zones_come_back_as_the_same_moment(store: Store) -> None:
    from zoneinfo import ZoneInfo

    moment = datetime(2026, 7, 1, 1, 30, tzinfo=ZoneInfo("Asia/Kolkata"))
    job = store.add_job(examples.worksheet())
    store.commit_capture(examples.capture(job.id, taken_at=moment), step_index_after=None)
    (row,) = store.captures()
    assert row.taken_at == moment
    assert row.taken_at.tzinfo == UTC


@pytest.mark.parametrize(
    ("change", "message"),
    [
        ("UPDATE traces SET data = zeroblob(100)", "do not match their checksum"),
        (
            "UPDATE traces SET data = x'00', sha256 = "
            "'6e340b9cffb37a989ca544e6bb780a2c78901d3fb33738768511a30617afa01d'",
            "cannot be read",
        ),
    ],
    ids=["bytes changed", "not an archive"],
)
def test_damaged_traces_are_reported_not_returned(
    store: Store, place: Path, change: str, message: str
) -> None:
    job = store.add_job(examples.worksheet())
    capture = examples.capture(job.id)
    store.commit_capture(capture, step_index_after=None)
    with sqlite3.connect(place) as other:
        other.execute(change)
    other.close()
    with pytest.raises(StoreDamaged, match=f"capture {capture.id}, trace level: .*{message}"):
        store.capture(capture.id)
