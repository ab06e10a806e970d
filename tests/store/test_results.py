from datetime import timedelta

import pytest

from benchd.store import Store, UnknownId
from tests.store import examples


def test_results_come_back_as_they_were_newest_reduction_first(store: Store) -> None:
    job = store.add_job(examples.worksheet())
    night = [examples.record(job.id, frequency_hz=f) for f in (1.6e9, 1.7e9, 1.8e9)]
    again = examples.record(job.id)
    object.__setattr__(again, "reduced_at", examples.TAKEN_AT + timedelta(days=1))
    store.commit_results(job.id, "dipole", night, step_index_after=1)
    store.commit_results(job.id, "dipole", [again], step_index_after=None)
    assert store.results() == [again, *night]
    assert store.result(night[1].id) == night[1]
    assert store.job(job.id).step_index == 1


def test_results_are_found_by_job_quantity_and_antenna(store: Store) -> None:
    job, other = (store.add_job(examples.worksheet()) for _ in range(2))
    loss = examples.record(job.id)
    gain = examples.record(other.id, quantity="realised_gain", antenna="yagi r2")
    for record in (loss, gain):
        store.commit_results(record.job_id, "x", [record], step_index_after=None)
    assert store.results(job_id=job.id) == [loss]
    assert store.results(quantity="realised_gain") == [gain]
    assert store.results(antenna="yagi r2", bench="workshop") == [gain]
    assert store.results(bench="roof") == []
    assert len(store.results(limit=1)) == 1


def test_verdicts_come_back_in_order(store: Store) -> None:
    job = store.add_job(examples.worksheet())
    verdicts = [examples.verdict(), examples.verdict(outcome="absent", margin=None, result=None)]
    store.commit_results(job.id, "accept", [], verdicts, step_index_after=3)
    assert store.verdicts(job.id) == verdicts


def test_results_verdicts_messages_and_step_are_stored_together_or_not_at_all(
    store: Store,
) -> None:
    job = store.add_job(examples.worksheet())
    before = store.outbox_pending("workshop")
    good = examples.record(job.id)
    bad = examples.record(job.id, note={"a", "set"})
    with pytest.raises(TypeError, match="set cannot be stored"):
        store.commit_results(job.id, "x", [good, bad], [examples.verdict()], step_index_after=2)
    assert store.results() == []
    assert store.verdicts(job.id) == []
    assert store.job(job.id).step_index == 0
    assert store.outbox_pending("workshop") == before


def test_an_unknown_result_is_named(store: Store) -> None:
    with pytest.raises(UnknownId, match="there is no result res-none"):
        store.result("res-none")
