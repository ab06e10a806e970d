"""Storing what a person orders for a job, before the order is confirmed.

A confirmed order must hold whatever happens to the daemon a moment later. So it is stored first,
and then the engine acts on it. If the daemon is killed in between, it finds the order at its next
start.
"""

from __future__ import annotations

from dataclasses import replace
from datetime import datetime

from sqlalchemy import Connection

from benchd.jobstates import UNDER_WAY, JobState
from benchd.store.errors import WrongState
from benchd.store.jobs import WITHDRAWN_WORDS, JobRow, get, write


def withdraw(connection: Connection, job_id: str, now: datetime) -> JobRow:
    """Withdraw a job that waits; note the order for one that is under way.

    Noted once: a second order changes nothing. Raises UnknownId, or WrongState for an ended job.
    """
    before = get(connection, job_id)
    if before.has_ended:
        raise WrongState(
            f"job {job_id} is {before.state}, so it cannot become {JobState.WITHDRAWN}.",
            advice="Queue it again if it should run again.",
        )
    if before.state not in UNDER_WAY:
        after = replace(before, state=JobState.WITHDRAWN, message=WITHDRAWN_WORDS)
        return write(connection, before, after, now)
    if before.withdraw_ordered_at is not None:
        return before
    after = replace(before, withdraw_ordered_at=now, message="is being stopped by order")
    return write(connection, before, after, now)


def answer(connection: Connection, job_id: str, step: int | None, now: datetime) -> JobRow:
    """Note that a person has done what the job asks for: it is `running` again.

    step: of the request that is answered. Raises UnknownId, or WrongState where the job asks for
    nothing, for something else, or is being withdrawn.
    """
    before = get(connection, job_id)
    asked = (before.hands or {}).get("step")
    answered = before.state is JobState.NEEDS_HANDS and before.withdraw_ordered_at is None
    if not answered or (step is not None and step != asked):
        raise WrongState(f"job {job_id} is {before.state} and asks for nothing of this kind now.")
    after = replace(
        before, state=JobState.RUNNING, message="ready", error=None, hands=None, put_back_at=None
    )
    return write(connection, before, after, now)
