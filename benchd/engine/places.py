"""Changing the order of waiting jobs, by their priorities alone.

Jobs run by priority and then by age, and nothing else decides. So a job that is put at another
place gets the priority that leads it there, and jobs ahead of it get a higher one where they need
it. What a person sees in the list is then what the queue does.
"""

from __future__ import annotations

from collections.abc import Sequence
from datetime import datetime
from itertools import pairwise
from typing import Protocol, TypeVar

from benchd.errors import OrderRefused

LOWEST, HIGHEST = -100, 100


class Placed(Protocol):
    """What is needed of a waiting job."""

    @property
    def id(self) -> str: ...
    @property
    def priority(self) -> int: ...
    @property
    def created_at(self) -> datetime: ...
    @property
    def put_back_at(self) -> datetime | None: ...


P = TypeVar("P", bound=Placed)


def in_order(jobs: Sequence[P]) -> list[P]:
    """Jobs in the order in which they run, windows aside; those put back come last."""
    first = [one for one in jobs if one.put_back_at is None]
    last = [one for one in jobs if one.put_back_at is not None]
    return [*sorted(first, key=_key), *sorted(last, key=lambda one: str(one.put_back_at))]


def moved(jobs: Sequence[Placed], job_id: str, before: str | None) -> dict[str, int]:
    """The priorities that put a job right before another, or last with None; changed ones only.

    jobs: all that wait. Raises OrderRefused where it cannot be put there.
    """
    by_id = {one.id: one for one in jobs}
    for wanted in (job_id, before):
        if wanted is None:
            continue
        if wanted not in by_id:
            raise OrderRefused(
                f"job {wanted} does not wait, so it has no place in the queue",
                advice="`benchd rehearse` lists the jobs that wait.",
            )
        if by_id[wanted].put_back_at is not None:
            raise OrderRefused(
                f"job {wanted} lets others run first, since nobody answered its request",
                advice="It asks again by itself once the others have run.",
            )
    if job_id == before:
        return {}
    line = [one for one in in_order(jobs) if one.put_back_at is None and one.id != job_id]
    place = len(line) if before is None else [one.id for one in line].index(before)
    line.insert(place, by_id[job_id])
    priorities = {one.id: one.priority for one in line}
    if place + 1 < len(line):
        priorities[job_id] = _least_before(line[place], line[place + 1], priorities)
    elif place > 0:
        ahead = line[place - 1]
        is_younger = _age(ahead) < _age(line[place])
        priorities[job_id] = priorities[ahead.id] - (0 if is_younger else 1)
    for here, after in reversed(list(pairwise(line))):
        priorities[here.id] = max(priorities[here.id], _least_before(here, after, priorities))
    if not all(LOWEST <= one <= HIGHEST for one in priorities.values()):
        raise OrderRefused(
            f"there is no priority from {LOWEST} to {HIGHEST} left for that place",
            advice="Give other jobs priorities nearer to 0 first.",
        )
    return {name: one for name, one in priorities.items() if one != by_id[name].priority}


def _key(job: Placed) -> tuple[int, datetime, str]:
    return (-job.priority, *_age(job))


def _age(job: Placed) -> tuple[datetime, str]:
    return (job.created_at, job.id)


def _least_before(job: Placed, after: Placed, priorities: dict[str, int]) -> int:
    """The lowest priority with which `job` runs before `after`."""
    return priorities[after.id] + (0 if _age(job) < _age(after) else 1)
