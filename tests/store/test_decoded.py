"""What was read once is not taken apart again, and damage is noticed all the same."""

from __future__ import annotations

import sqlite3
import threading
from pathlib import Path

from benchd.store import Store
from benchd.store.decoded import Decoded
from tests.store import examples


def test_a_result_read_again_is_the_same_value(store: Store) -> None:
    job = store.add_job(examples.worksheet())
    made = examples.record(job.id)
    store.commit_results(job.id, "dipole", [made], [examples.verdict()], step_index_after=None)
    (first,), (again,) = store.results(), store.results()
    assert first == made
    assert again is first
    assert store.result(made.id) is first
    assert store.verdicts(job.id)[0] is store.verdicts(job.id)[0]


def test_a_row_damaged_after_it_was_read_is_left_out_and_named(store: Store, place: Path) -> None:
    job = store.add_job(examples.worksheet())
    made = [examples.record(job.id), examples.record(job.id)]
    store.commit_results(job.id, "dipole", made, step_index_after=None)
    assert len(store.results()) == 2
    other = sqlite3.connect(place)
    other.execute("UPDATE results SET body = replace(body, '18.2', '19.2') WHERE id = ?",
                  (made[0].id,))  # fmt: skip
    other.commit()
    other.close()
    assert [one.id for one in store.results()] == [made[1].id]
    assert made[0].id in store.damage()[0]


def test_only_so_many_are_kept_and_those_read_last_stay() -> None:
    decoded, taken_apart = Decoded(most=2), []

    def read(body: str) -> str:
        taken_apart.append(body)
        return body.upper()

    for key in ("a", "b", "a", "c", "a", "b"):
        assert decoded.value(key, key, read) == key.upper()
    assert taken_apart == ["a", "b", "c", "b"]


def test_many_threads_may_read_at_once() -> None:
    decoded, wrong = Decoded(most=5), []

    def work() -> None:
        for number in range(2000):
            text = str(number % 9)
            if decoded.value(text, text, int) != number % 9:
                wrong.append(number)

    threads = [threading.Thread(target=work) for _ in range(4)]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    assert wrong == []


def test_verdicts_of_several_jobs_come_by_their_job(store: Store) -> None:
    jobs = [store.add_job(examples.worksheet()) for _ in range(3)]
    for number, job in enumerate(jobs[:2]):
        of_job = [examples.verdict(margin=float(n)) for n in range(number + 1)]
        store.commit_results(job.id, "accept", [], of_job, step_index_after=None)
    found = store.verdicts_of([job.id for job in jobs])
    margins = [[one.margin for one in found[job.id]] for job in jobs]
    assert margins == [[0.0], [0.0, 1.0], []]
    assert store.verdicts_of([]) == {}
