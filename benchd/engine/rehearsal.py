"""A night before it happens: when each waiting job would begin and end, and which would be missed.

It follows the rules of `engine.queue` and of the store's `next_waiting`, with expected times in
place of measured ones. Pure: it asks no clock and no store.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta, tzinfo
from typing import Literal, Protocol

from benchd.engine.places import Placed, in_order
from benchd.moments import time_words
from benchd.rounding import about_words


class Waiting(Placed, Protocol):
    """What is needed of a job that waits; times are UTC."""

    @property
    def not_before(self) -> datetime | None: ...
    @property
    def finish_by(self) -> datetime | None: ...


@dataclass(frozen=True, slots=True)
class Planned:
    """What would become of one job.

    outcome: `runs`, or `missed` where it would not end in its window.
    starts_at, ends_at: by expected times, without a person's; None for a job that is missed.
    hands: how often it asks for a person. why: of a missed job, in words.
    """

    id: str
    outcome: Literal["runs", "missed"]
    starts_at: datetime | None
    ends_at: datetime | None
    needs_s: float
    hands: int
    why: str = ""


@dataclass(frozen=True, slots=True)
class Rehearsal:
    """What would become of the whole queue.

    ends_at: when the last job would have ended; None where nothing would run. words: all of it in
    a sentence.
    """

    jobs: tuple[Planned, ...]
    ends_at: datetime | None
    words: str


def rehearse(
    jobs: Sequence[Waiting],
    needs_s: dict[str, float],
    hands: dict[str, int],
    *,
    now: datetime,
    busy_s: float | None,
    zone: tzinfo,
) -> Rehearsal:
    """Go through the queue.

    needs_s: seconds that each job still needs. hands: how often each asks for a person.
    busy_s: seconds until the running job ends; None where none runs.
    """
    at = now + timedelta(seconds=busy_s or 0.0)
    ends_at = None if busy_s is None else at
    waiting = in_order(jobs)
    planned: list[Planned] = []
    while waiting:
        for job in [one for one in waiting if _is_late(one, at, needs_s[one.id])]:
            waiting.remove(job)
            planned.append(_missed(job, at, needs_s[job.id], hands[job.id], zone))
        may_run = [one for one in waiting if _opens(one, at) <= at]
        if not may_run:
            if waiting:
                at = min(_opens(one, at) for one in waiting)
            continue
        job = may_run[0]
        waiting.remove(job)
        end = at + timedelta(seconds=needs_s[job.id])
        planned.append(Planned(job.id, "runs", at, end, needs_s[job.id], hands[job.id]))
        at = ends_at = end
    return Rehearsal(tuple(planned), ends_at, _words(planned, ends_at, zone))


def _opens(job: Waiting, at: datetime) -> datetime:
    return at if job.not_before is None else job.not_before


def _is_late(job: Waiting, at: datetime, needs_s: float) -> bool:
    return job.finish_by is not None and at + timedelta(seconds=needs_s) > job.finish_by


def _missed(job: Waiting, at: datetime, needs_s: float, hands: int, zone: tzinfo) -> Planned:
    assert job.finish_by is not None
    opens = time_words(max(at, _opens(job, at)), zone)
    why = (
        f"needs about {about_words(needs_s)} and could begin at {opens}, but its window closes at "
        f"{time_words(job.finish_by, zone)}"
    )
    return Planned(job.id, "missed", None, None, needs_s, hands, why)


def _words(planned: Sequence[Planned], ends_at: datetime | None, zone: tzinfo) -> str:
    if ends_at is None and not planned:
        return "Nothing runs and nothing waits."
    missed = sum(one.outcome == "missed" for one in planned)
    hands = sum(one.hands for one in planned if one.outcome == "runs")
    if ends_at is None:
        parts = ["Nothing would run"]
    else:
        parts = [f"Ends about {ends_at.astimezone(zone):%H:%M on %A}"]
    if missed:
        one, many = "job misses its window", "jobs miss their window"
        parts.append(f"{_count(missed)} {one if missed == 1 else many}")
    if hands:
        times = "once" if hands == 1 else f"{_count(hands)} times"
        parts.append(f"asks for your hands {times}, and your time is not counted")
    return "; ".join(parts) + "."


def _count(number: int) -> str:
    words = ("no", "one", "two", "three", "four", "five", "six", "seven", "eight", "nine", "ten")
    return words[number] if number < len(words) else str(number)
