from dataclasses import replace
from datetime import UTC, datetime, timedelta

import pytest
from sqlalchemy import text

from benchd.errors import LinkLost
from benchd.job_request import JobRequest
from benchd.store import JobState, Store, StoreDamaged, UnknownId, WrongState, codec
from benchd.worksheet import digest_of
from tests.store import examples

NOW = datetime(2026, 3, 1, 22, 0, tzinfo=UTC)
HOUR = timedelta(hours=1)


def job_in(store: Store, state: JobState) -> str:
    job_id = store.add_job(examples.worksheet()).id
    if state in (JobState.DONE, JobState.NEEDS_HANDS):
        store.set_state(job_id, JobState.RUNNING)
    if state is not JobState.WAITING:
        store.set_state(job_id, state)
    return job_id


def test_a_new_job_waits_with_its_worksheet(store: Store) -> None:
    worksheet = examples.worksheet()
    job = store.add_job(worksheet, JobRequest(3, NOW, NOW + HOUR))
    assert store.job(job.id) == job
    assert store.worksheet(job.id) == worksheet
    assert store.worksheet(job.id).digest == job.worksheet_hash
    assert (job.state, job.step_index, job.steps_total) == (JobState.WAITING, 0, 3)
    assert (job.priority, job.not_before, job.finish_by) == (3, NOW, NOW + HOUR)
    assert job.expected_s == 10.1


def test_a_waiting_job_gets_another_priority_and_runs_by_it(store: Store) -> None:
    first, second = (store.add_job(examples.worksheet()) for _ in range(2))
    (changed,) = store.set_priorities({second.id: 5})
    assert (changed.id, changed.priority) == (second.id, 5)
    assert store.job(second.id) == changed
    found = store.next_waiting(first.bench)
    assert found is not None
    assert found.id == second.id


def test_a_job_under_way_has_no_place_any_more_and_nothing_is_changed(store: Store) -> None:
    waiting, under_way = store.add_job(examples.worksheet()).id, job_in(store, JobState.RUNNING)
    with pytest.raises(WrongState, match="its place in the queue is no more"):
        store.set_priorities({waiting: 3, under_way: 3})
    assert store.job(waiting).priority == 0
    with pytest.raises(UnknownId):
        store.set_priorities({"job-9": 3})


def test_jobs_of_the_same_worksheet_share_it(store: Store) -> None:
    first, second = (store.add_job(examples.worksheet()) for _ in range(2))
    assert first.worksheet_hash == second.worksheet_hash
    assert first.id != second.id


# Rows: from; columns: to. Written out by hand from the design's list of states.
LEGAL = {
    "waiting": {"waiting", "running", "withdrawn", "missed", "failed"},
    "running": {"waiting", "running", "needs-hands", "done", "failed", "withdrawn", "missed"},
    "needs-hands": {"waiting", "running", "needs-hands", "failed", "withdrawn", "missed"},
    "done": set(),
    "failed": set(),
    "withdrawn": set(),
    "missed": set(),
}


@pytest.mark.parametrize("before", JobState)
@pytest.mark.parametrize("after", JobState)
def test_only_states_that_can_follow_are_accepted(
    store: Store, before: JobState, after: JobState
) -> None:
    job_id = job_in(store, before)
    kept = store.job(job_id)
    if after.value in LEGAL[before.value]:
        assert store.set_state(job_id, after).state is after
        assert store.job(job_id).state is after
    else:
        with pytest.raises(WrongState, match=f"is {before}, so it cannot become {after}"):
            store.set_state(job_id, after)
        assert store.job(job_id) == kept


def test_a_change_of_state_is_kept_with_its_reason(store: Store) -> None:
    job_id = job_in(store, JobState.RUNNING)
    error = LinkLost("no answer", where="generator", advice="Check its cable.").as_dict()
    failed = store.set_state(job_id, JobState.FAILED, message="Lost.", error=error, step_index=2)
    assert store.job(job_id) == failed
    assert (failed.message, failed.error, failed.step_index) == ("Lost.", error, 2)
    assert failed.started_at is not None
    assert failed.ended_at is not None
    assert failed.ended_at > failed.started_at
    assert failed.has_ended


def test_a_hands_request_is_gone_when_the_job_goes_on(store: Store) -> None:
    job_id = job_in(store, JobState.RUNNING)
    asked = store.set_state(job_id, JobState.NEEDS_HANDS, hands={"ask": "Fit the short."})
    assert asked.hands == {"ask": "Fit the short."}
    assert store.set_state(job_id, JobState.RUNNING).hands is None


def test_progress_counts_steps(store: Store) -> None:
    job_id = job_in(store, JobState.RUNNING)
    assert store.set_state(job_id, JobState.RUNNING, step_index=1).progress == 1 / 3
    assert store.set_state(job_id, JobState.DONE).progress == 1.0


def test_the_next_job_has_the_highest_priority_then_the_greatest_age(store: Store) -> None:
    old = store.add_job(examples.worksheet())
    young = store.add_job(examples.worksheet())
    urgent = store.add_job(examples.worksheet(), JobRequest(5))
    store.add_job(examples.worksheet(bench="roof"), JobRequest(9))
    taken = []
    while (job := store.next_waiting("workshop", NOW)) is not None:
        taken.append(job.id)
        store.set_state(job.id, JobState.RUNNING)
    assert taken == [urgent.id, old.id, young.id]


@pytest.mark.parametrize(
    ("at", "runs"),
    [
        (NOW - timedelta(microseconds=1), False),
        (NOW, True),
        (NOW + HOUR - timedelta(microseconds=1), True),
        (NOW + HOUR, False),
    ],
    ids=["just before", "at its start", "just before its end", "at its end"],
)
def test_a_job_is_taken_only_inside_its_window(store: Store, at: datetime, runs: bool) -> None:
    job = store.add_job(
        examples.worksheet(), request=JobRequest(not_before=NOW, finish_by=NOW + HOUR)
    )
    assert store.next_waiting("workshop", at) == (job if runs else None)


def test_jobs_under_way_at_start_are_found_and_counted(store: Store) -> None:
    running = job_in(store, JobState.RUNNING)
    asking = job_in(store, JobState.NEEDS_HANDS)
    for state in (JobState.WAITING, JobState.DONE, JobState.FAILED):
        job_in(store, state)
    found = store.mark_interrupted("workshop")
    assert {job.id: (job.state, job.interruptions) for job in found} == {
        running: (JobState.RUNNING, 1),
        asking: (JobState.NEEDS_HANDS, 1),
    }
    assert store.job(running) == replace(found[0])
    assert store.mark_interrupted("workshop")[0].interruptions == 2
    assert store.mark_interrupted("roof") == []


def test_jobs_are_listed_by_state_and_age(store: Store) -> None:
    first = job_in(store, JobState.DONE)
    second = job_in(store, JobState.WAITING)
    third = job_in(store, JobState.DONE)
    assert [job.id for job in store.jobs()] == [third, second, first]
    assert [job.id for job in store.jobs(newest_first=False, limit=2)] == [first, second]
    assert [job.id for job in store.jobs({JobState.DONE})] == [third, first]
    assert store.jobs(bench="roof") == []


def test_every_change_leaves_a_line_of_history(store: Store) -> None:
    job_id = job_in(store, JobState.RUNNING)
    store.set_state(job_id, JobState.DONE, message="All steps done.", step_index=3)
    lines = store.job_events(job_id)
    assert [(line.state, line.step_index, line.message) for line in lines] == [
        (JobState.WAITING, 0, ""),
        (JobState.RUNNING, 0, ""),
        (JobState.DONE, 3, "All steps done."),
    ]
    assert store.job_events(after=lines[1].number) == lines[2:]


def test_an_unknown_job_is_named(store: Store) -> None:
    for call in (store.job, store.worksheet, lambda id: store.set_state(id, JobState.RUNNING)):
        with pytest.raises(UnknownId, match="there is no job job-none"):
            call("job-none")


def test_a_job_with_results_moves_only_if_it_exists(store: Store) -> None:
    with pytest.raises(UnknownId, match="there is no job job-none"):
        store.commit_results("job-none", "x", [], [], step_index_after=1)


def test_a_worksheet_stored_before_a_field_was_added_is_still_whole(store: Store) -> None:
    """What an older benchd stored lacks the field; its hash was taken without it."""
    worksheet = examples.worksheet()
    job = store.add_job(worksheet)
    document = worksheet.model_dump(mode="json")
    for step in document["steps"]:
        step.pop("line")
    older = digest_of(document)
    with store._database.writing() as connection:
        connection.execute(
            text("INSERT INTO worksheets (hash, body) VALUES (:hash, :body)"),
            {"body": codec.dumps(document), "hash": older},
        )
        connection.execute(text("UPDATE jobs SET worksheet_hash = :hash"), {"hash": older})
    assert [step.line for step in store.worksheet(job.id).steps] == [0] * len(worksheet.steps)


def test_a_worksheet_that_no_longer_reads_costs_its_job_and_says_so(store: Store) -> None:
    """Whole as it was stored, but of a form that this benchd does not know."""
    job = store.add_job(examples.worksheet())
    document = {**examples.worksheet().model_dump(mode="json"), "on_interrupt": "dream"}
    with store._database.writing() as connection:
        connection.execute(text("PRAGMA defer_foreign_keys = ON"))
        connection.execute(
            text("UPDATE worksheets SET hash = :new, body = :body WHERE hash = :old"),
            {"new": digest_of(document), "body": codec.dumps(document), "old": job.worksheet_hash},
        )
        connection.execute(
            text("UPDATE jobs SET worksheet_hash = :new"), {"new": digest_of(document)}
        )
    with pytest.raises(
        StoreDamaged, match=f"the worksheet of job {job.id} cannot be read: on_interrupt: Input"
    ):
        store.worksheet(job.id)


def test_reductions_that_are_behind_are_known_and_never_take_the_job_back(store: Store) -> None:
    job_id = job_in(store, JobState.RUNNING)
    assert store.reduced_index(job_id) == 0
    store.set_state(job_id, JobState.RUNNING, step_index=5)
    store.commit_results(job_id, "x", [], step_index_after=3)
    assert (store.job(job_id).step_index, store.reduced_index(job_id)) == (5, 3)
    store.commit_results(job_id, "x", [], step_index_after=6)
    assert (store.job(job_id).step_index, store.reduced_index(job_id)) == (6, 6)


def test_a_job_that_begins_again_is_reduced_again(store: Store) -> None:
    job_id = job_in(store, JobState.RUNNING)
    store.commit_results(job_id, "x", [], step_index_after=3)
    store.set_state(job_id, JobState.WAITING, step_index=0)
    assert store.reduced_index(job_id) == 0


def test_a_job_of_an_earlier_benchd_left_no_reduction_behind(store: Store) -> None:
    job_id = job_in(store, JobState.RUNNING)
    store.set_state(job_id, JobState.RUNNING, step_index=5)
    with store._database.writing() as connection:
        connection.execute(text("UPDATE jobs SET reduced_index = NULL"))
    assert store.reduced_index(job_id) == 5
    with pytest.raises(UnknownId):
        store.reduced_index("job-none")
