"""Putting waiting jobs at other places by their priorities, and rehearsing the night."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from zoneinfo import ZoneInfo

import pytest
from hypothesis import given
from hypothesis import strategies as st

from benchd.engine.places import in_order, moved
from benchd.engine.rehearsal import Rehearsal, rehearse
from benchd.errors import OrderRefused

NOW = datetime(2026, 3, 1, 21, 0, tzinfo=UTC)


def at(hours: float) -> datetime:
    return NOW + timedelta(hours=hours)


@dataclass(frozen=True)
class Job:
    id: str
    priority: int = 0
    created_at: datetime = NOW
    put_back_at: datetime | None = None
    not_before: datetime | None = None
    finish_by: datetime | None = None


def ids(jobs: list[Job]) -> list[str]:
    return [one.id for one in in_order(jobs)]


def with_priorities(jobs: list[Job], priorities: dict[str, int]) -> list[Job]:
    return [
        Job(one.id, priorities.get(one.id, one.priority), one.created_at, one.put_back_at)
        for one in jobs
    ]


@given(st.lists(st.integers(-5, 5), min_size=1, max_size=8), st.data())
def test_a_job_that_is_moved_stands_there_and_the_others_keep_their_order(
    given_priorities: list[int], data: st.DataObject
) -> None:
    jobs = [Job(f"job-{n}", p, at(n / 60)) for n, p in enumerate(given_priorities)]
    mover = data.draw(st.sampled_from(jobs)).id
    before = data.draw(st.sampled_from([*(one.id for one in jobs), None]))
    line = [name for name in ids(jobs) if name != mover]
    if before == mover:
        assert moved(jobs, mover, before) == {}
        return
    line.insert(len(line) if before is None else line.index(before), mover)
    assert ids(with_priorities(jobs, moved(jobs, mover, before))) == line


def test_the_job_takes_over_the_priority_of_its_place_and_others_keep_theirs() -> None:
    jobs = [Job("a", 3, at(0)), Job("b", 0, at(1)), Job("c", 0, at(2)), Job("d", 9, at(3))]
    assert ids(jobs) == ["d", "a", "b", "c"]
    assert moved(jobs, "d", "c") == {"d": 1, "b": 1}
    assert moved(jobs, "d", None) == {"d": 0}
    assert moved(jobs, "c", "d") == {"c": 9}


def test_what_has_no_place_is_refused() -> None:
    jobs = [Job("a", 100, at(0)), Job("b", 0, at(1)), Job("c", put_back_at=at(0))]
    with pytest.raises(OrderRefused, match="job x does not wait"):
        moved(jobs, "x", None)
    with pytest.raises(OrderRefused, match="job c lets others run first"):
        moved(jobs, "c", "a")
    with pytest.raises(OrderRefused, match="no priority from -100 to 100 left"):
        moved(jobs, "b", "a")


def rehearsed(*jobs: Job, needs_h: float = 1.0, busy_h: float | None = None) -> Rehearsal:
    return rehearse(
        jobs,
        {one.id: 3600.0 * needs_h for one in jobs},
        {one.id: int(one.id.startswith("hand")) for one in jobs},
        now=NOW,
        busy_s=None if busy_h is None else 3600.0 * busy_h,
        zone=ZoneInfo("Europe/Vienna"),
    )


def test_jobs_follow_each_other_after_the_one_that_runs() -> None:
    found = rehearsed(Job("a"), Job("b", priority=1), busy_h=0.5)
    assert [(one.id, one.starts_at, one.ends_at) for one in found.jobs] == [
        ("b", at(0.5), at(1.5)),
        ("a", at(1.5), at(2.5)),
    ]
    assert found.words == "Ends about 00:30 on Monday."


def test_a_job_waits_for_its_window_and_another_runs_meanwhile() -> None:
    found = rehearsed(Job("late", priority=5, not_before=at(1.5)), Job("any"), Job("more"))
    assert [(one.id, one.starts_at) for one in found.jobs] == [
        ("any", at(0)), ("more", at(1)), ("late", at(2)),
    ]  # fmt: skip
    alone = rehearsed(Job("late", not_before=at(1.5)))
    assert alone.ends_at == at(2.5)


def test_a_job_that_would_not_end_in_its_window_is_missed_with_the_reason() -> None:
    found = rehearsed(
        Job("first", priority=2), Job("tight", finish_by=at(1.5)), Job("tighter", finish_by=at(1.2))
    )
    assert [(one.id, one.outcome) for one in found.jobs] == [
        ("first", "runs"), ("tight", "missed"), ("tighter", "missed"),
    ]  # fmt: skip
    assert found.jobs[1].why == (
        "needs about 1 h 00 min and could begin at 2026-03-01 23:00:00 Europe/Vienna, but its "
        "window closes at 2026-03-01 23:30:00 Europe/Vienna"
    )
    assert found.words == "Ends about 23:00 on Sunday; two jobs miss their window."


def test_requests_to_a_person_are_counted_and_their_time_is_not() -> None:
    found = rehearsed(Job("hand"))
    assert found.ends_at == at(1)
    assert "asks for your hands once, and your time is not counted" in found.words


def test_nothing_to_do_is_said() -> None:
    assert rehearsed().words == "Nothing runs and nothing waits."
    missed = rehearsed(Job("tight", finish_by=at(0.5)))
    assert missed.words == "Nothing would run; one job misses its window."
    assert missed.ends_at is None
