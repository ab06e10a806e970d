"""What becomes of an interrupted job, as a table."""

from __future__ import annotations

import pytest

from benchd.engine.recovery import MOST_INTERRUPTIONS, Interrupted, Recovery, recovery
from benchd.store import JobState

OLD = ("open is 30 h old, 12 h at most", "short is gone")
KEPT = "Its captures are kept. "


def waiting(step_index: int, message: str) -> Recovery:
    return Recovery(JobState.WAITING, step_index, message)


def failed(step_index: int, message: str, advice: str) -> Recovery:
    return Recovery(JobState.FAILED, step_index, message, KEPT + advice)


@pytest.mark.parametrize(
    ("job", "outdated", "expected"),
    [
        (Interrupted(4), (), waiting(4, "interrupted; goes on at step 5")),
        (Interrupted(0), (), waiting(0, "interrupted; goes on at step 1")),
        (
            Interrupted(4),
            OLD,
            waiting(
                0,
                "interrupted; begins again: open is 30 h old, 12 h at most; short is gone",
            ),
        ),
        (Interrupted(0), OLD, waiting(0, "interrupted; goes on at step 1")),
        (
            Interrupted(4, on_interrupt="restart"),
            OLD,
            waiting(0, "interrupted; goes on at step 1"),
        ),
        (
            Interrupted(4, on_interrupt="fail"),
            (),
            failed(4, "interrupted at step 5", "Queue it again, or reduce what there is."),
        ),
        (
            Interrupted(4, MOST_INTERRUPTIONS - 1),
            (),
            waiting(4, "interrupted; goes on at step 5"),
        ),
        (
            Interrupted(4, MOST_INTERRUPTIONS),
            (),
            failed(
                4,
                "interrupted at step 5, 10 times in all",
                "Power fails too often, or the job ends the daemon: see its log, queue it again.",
            ),
        ),
        (
            Interrupted(0, MOST_INTERRUPTIONS, "restart"),
            (),
            failed(
                0,
                "interrupted at step 1, 10 times in all",
                "Power fails too often, or the job ends the daemon: see its log, queue it again.",
            ),
        ),
        (
            Interrupted(4, MOST_INTERRUPTIONS, "fail"),
            (),
            failed(4, "interrupted at step 5", "Queue it again, or reduce what there is."),
        ),
        (
            Interrupted(4, MOST_INTERRUPTIONS, "fail", withdrawn=True),
            OLD,
            Recovery(JobState.WITHDRAWN, 4, "withdrawn by order"),
        ),
        (Interrupted(4, put_back=True), (), waiting(4, "begins again, since other jobs have run")),
        (
            Interrupted(4, put_back=True),
            OLD[1:],
            waiting(0, "begins again, since other jobs have run: short is gone"),
        ),
        (
            Interrupted(4, on_interrupt="restart", put_back=True),
            (),
            waiting(0, "begins again, since other jobs have run"),
        ),
        (
            Interrupted(4, MOST_INTERRUPTIONS, put_back=True),
            (),
            waiting(4, "begins again, since other jobs have run"),
        ),
        (
            Interrupted(4, on_interrupt="fail", put_back=True),
            (),
            failed(
                4,
                "nobody answered at step 5, and other jobs have run since",
                "Queue it again when somebody is there.",
            ),
        ),
    ],
)
def test_what_becomes_of_an_interrupted_job(
    job: Interrupted, outdated: tuple[str, ...], expected: Recovery
) -> None:
    assert recovery(job, outdated) == expected


@pytest.mark.parametrize("step_index", [0, 1, 7])
@pytest.mark.parametrize("on_interrupt", ["resume", "restart", "fail"])
def test_captures_are_asked_only_where_they_decide(step_index: int, on_interrupt: str) -> None:
    job = Interrupted(step_index, on_interrupt=on_interrupt)  # type: ignore[arg-type]
    assert job.asks_captures == (on_interrupt == "resume" and step_index > 0)
    if not job.asks_captures:
        assert recovery(job, OLD) == recovery(job, ())
