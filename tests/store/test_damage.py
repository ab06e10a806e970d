"""A damaged row costs itself: it is named, and the list goes on without it."""

from __future__ import annotations

import sqlite3
from pathlib import Path

import pytest

from benchd.job_request import JobRequest
from benchd.store import JobState, Store, StoreDamaged
from tests.store import examples

RESULT_DAMAGE = {
    "a changed digit": "body = replace(body, '1', '2')",
    "no json": "body = '{'",
    "other json": "body = '[]'",
    "empty": "body = ''",
    "a number": "body = 5",
    "bytes that are no text": "body = cast(x'ff22fe' as text)",
    "a blob": "body = x'00ff'",
    "another checksum": "sha256 = 'abc'",
    "without a checksum and without a field": "sha256 = NULL, body = '{\"result\": {}}'",
    "no time": "reduced_at = 'never'",
}


def spoil(place: Path, statement: str, *values: object) -> None:
    other = sqlite3.connect(place)
    with other:
        assert other.execute(statement, values).rowcount == 1
    other.close()


@pytest.mark.parametrize("change", RESULT_DAMAGE.values(), ids=RESULT_DAMAGE.keys())
def test_a_damaged_result_is_left_out_and_named(store: Store, place: Path, change: str) -> None:
    job = store.add_job(examples.worksheet())
    records = [examples.record(job.id, frequency_hz=f) for f in (1.6e9, 1.7e9, 1.8e9)]
    store.commit_results(job.id, "x", records, step_index_after=None)
    bad = records[1]
    spoil(place, f"UPDATE results SET {change} WHERE id = ?", bad.id)
    if change.startswith("reduced_at"):
        found = {record.id for record in store.results()}
    else:
        found = {record.id for record in store.results(job_id=job.id, limit=10)}
    assert found == {records[0].id, records[2].id}
    (said,) = store.damage()
    assert said.startswith(f"result {bad.id} is damaged and left out: ")
    assert store.result(records[0].id) == records[0]
    if not change.startswith(("reduced_at", "body = cast")):
        with pytest.raises(StoreDamaged, match=f"result {bad.id}: "):
            store.result(bad.id)
    assert len(store.damage()) == 1


@pytest.mark.parametrize(
    "change",
    ["antenna = 'yagi r2'", "role = 'nope'", "role = 'open'", "detail = '{}'", "detail = 'x'",
     "taken_at = '2026'", "sha256 = NULL, detail = '{}'", "route = cast(x'ff' as text)",
     "position = NULL"],
)  # fmt: skip
def test_a_damaged_capture_is_left_out_and_named(store: Store, place: Path, change: str) -> None:
    """A changed antenna or role, too: it would be taken for a baseline that it is not."""
    job = store.add_job(examples.worksheet())
    captures = [examples.capture(job.id) for _ in range(3)]
    for capture in captures:
        store.commit_capture(capture, step_index_after=None)
    spoil(place, f"UPDATE captures SET {change} WHERE id = ?", captures[1].id)
    assert {row.id for row in store.captures()} == {captures[0].id, captures[2].id}
    (said,) = store.damage()
    assert said.startswith(f"capture {captures[1].id} is damaged and left out: ")
    assert store.capture(captures[0].id).id == captures[0].id


@pytest.mark.parametrize("change", ["body = '{'", "step = 'other'", "sha256 = 'x'"])
def test_a_damaged_verdict_is_left_out_and_named(store: Store, place: Path, change: str) -> None:
    """A verdict that was failed must not come back as passed."""
    job = store.add_job(examples.worksheet())
    verdicts = [examples.verdict(), examples.verdict(outcome="absent", margin=None, result=None)]
    store.commit_results(job.id, "accept", [], verdicts, step_index_after=None)
    spoil(place, f"UPDATE verdicts SET {change} WHERE number = 1")
    assert store.verdicts(job.id) == verdicts[1:]
    assert [said[: said.index(":")] for said in store.damage()] == [
        "verdicts row 1 is damaged and left out"
    ]


@pytest.mark.parametrize(
    "change", ["state = 'nope'", "error = '{'", "hands = 'x'", "created_at = 'never'"]
)
def test_a_damaged_job_holds_up_no_other(store: Store, place: Path, change: str) -> None:
    bad, good = (
        store.add_job(examples.worksheet(), JobRequest(5)),
        store.add_job(examples.worksheet()),
    )
    spoil(place, f"UPDATE jobs SET {change} WHERE id = ?", bad.id)
    assert [job.id for job in store.jobs()] == [good.id]
    following = store.next_waiting("workshop")
    assert following is not None
    assert following.id == good.id
    store.set_state(good.id, JobState.RUNNING)
    assert [job.id for job in store.mark_interrupted("workshop")] == [good.id]
    (said,) = store.damage()
    assert said.startswith(f"job {bad.id} is damaged and left out: ")


def test_a_damaged_first_row_within_a_limit_leaves_the_others_of_the_limit(
    store: Store, place: Path
) -> None:
    jobs = [store.add_job(examples.worksheet()) for _ in range(4)]
    spoil(place, "UPDATE jobs SET state = 'nope' WHERE id = ?", jobs[3].id)
    assert [job.id for job in store.jobs(limit=3)] == [jobs[2].id, jobs[1].id]
