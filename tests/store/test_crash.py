"""kill -9 in the middle of commits: what was reported stored is there, bit for bit."""

import json
import signal
import sqlite3
import subprocess
import sys
from pathlib import Path

import numpy as np
import pytest

from benchd.store import Store
from tests.store import examples

# Commits captures and results as fast as it can, and reports each only after it was stored.
WRITER = """
import sys
from benchd.store import JobState, Store
from tests.store import examples

store = Store.open(sys.argv[1])
job = store.add_job(examples.worksheet())
store.set_state(job.id, JobState.RUNNING)
print("job", job.id, flush=True)
for number in range(1_000_000):
    capture = examples.capture(
        job.id, id=f"cap-{number:09d}", traces=(examples.trace(2001, seed=number),)
    )
    store.commit_capture(capture, step_index_after=number, trace_points=20)
    print("capture", number, flush=True)
    record = examples.record(job.id, id=f"res-{number:09d}", value=float(number))
    store.commit_results(job.id, "x", [record], [examples.verdict()], step_index_after=number)
    print("result", number, flush=True)
"""


@pytest.mark.parametrize("reports", [3, 40, 81])
def test_kill_9_during_commits_loses_nothing_that_was_reported(place: Path, reports: int) -> None:
    writer = subprocess.Popen(
        [sys.executable, "-c", WRITER, str(place)],
        stdout=subprocess.PIPE,
        text=True,
        cwd=Path(__file__).parents[2],
    )
    assert writer.stdout is not None
    heard = [writer.stdout.readline() for _ in range(reports)]
    writer.send_signal(signal.SIGKILL)
    heard += writer.stdout.readlines()  # reported before the signal arrived
    writer.stdout.close()
    assert writer.wait() == -signal.SIGKILL
    lines = [line.split() for line in heard if line.endswith("\n")]
    job_id = lines[0][1]

    assert sqlite_says(place, "PRAGMA integrity_check") == "ok"
    with Store.open(place) as store:
        for kind, number in lines[1:]:
            if kind == "capture":
                read = store.capture(f"cap-{int(number):09d}").level.values
                np.testing.assert_array_equal(read, examples.trace(2001, int(number)).values)
            else:
                assert store.result(f"res-{int(number):09d}").result.value == float(number)
        # Nothing is there in part: rows, messages and the job's step agree.
        captures, results = len(store.captures()), len(store.results())
        assert len(store.verdicts(job_id)) == results
        assert captures - results in (0, 1)
        assert store.job(job_id).step_index == max(captures - 1, 0)
        rows = store.outbox_pending("workshop", limit=1_000_000)
        numbers = [row.sequence for row in rows if row.sequence is not None]
        assert numbers == list(range(1, 2 + captures + 2 * results + 1))
        told = [json.loads(row.payload) for row in rows if not row.topic.startswith("reading/")]
        assert all(message["bench"] == "workshop" for message in told)
        assert len(rows) - len(told) == results
        assert [job.id for job in store.mark_interrupted("workshop")] == [job_id]


def sqlite_says(place: Path, query: str) -> str:
    other = sqlite3.connect(place)
    try:
        return str(other.execute(query).fetchone()[0])
    finally:
        other.close()
