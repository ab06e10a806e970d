"""Storing what a person orders for a job, before the order is confirmed.

A confirmed order must hold whatever happens to the daemon a moment later. So it is stored first,
and then the engine acts on it. If the daemon is killed in between, it finds the order at its next
start.
"""

from __future__ import annotations

from dataclasses import replace
from datetime import datetime
from typing import Any

from sqlalchemy import Connection

from benchd.jobstates import UNDER_WAY, JobState
from benchd.store.errors import WrongState
from benchd.store.jobs import STOPPED_WORDS, WITHDRAWN_WORDS, JobRow, add_event, get, write


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


def answer(
    connection: Connection,
    job_id: str,
    step: int | None,
    now: datetime,
    removed_m: float | None = None,
    until: str | None = None,
) -> JobRow:
    """Note that a person has done what the job asks for: it is `running` again.

    step, until: of the request that is answered; None for whichever stands.
    removed_m: what was taken off each arm since the last look of a trim session; what was noted
    for this request before stays without it.
    Raises UnknownId, or WrongState where the job asks for nothing, for something else, or is being
    withdrawn.
    """
    before = get(connection, job_id)
    hands = before.hands or {}
    answered = before.state is JobState.NEEDS_HANDS and before.withdraw_ordered_at is None
    named = step in (None, hands.get("step")) and until in (None, hands.get("until"))
    if not answered or not named:
        raise WrongState(f"job {job_id} is {before.state} and asks for nothing of this kind now.")
    after = replace(
        before,
        state=JobState.RUNNING,
        message="ready",
        error=None,
        hands=None,
        put_back_at=None,
        answer=_said(before, removed_m),
    )
    return write(connection, before, after, now)


def note_removed(connection: Connection, job_id: str, removed_m: float, now: datetime) -> JobRow:
    """Note what was taken off each arm, m, for the look that the job asks for; it goes on asking.

    Raises UnknownId, or WrongState where the job asks for no look now.
    """
    before = get(connection, job_id)
    asks = before.state is JobState.NEEDS_HANDS and before.withdraw_ordered_at is None
    if not asks or not (before.hands or {}).get("look"):
        raise WrongState(f"job {job_id} is {before.state} and asks for no look now.")
    return write(connection, before, replace(before, answer=_said(before, removed_m)), now)


def correct_removed(
    connection: Connection,
    job_id: str,
    look: dict[str, Any],
    removed_m: float,
    now: datetime,
) -> JobRow:
    """Note that another length was taken off before a look, m, than was said then.

    look: `look` (its number), `capture`, `step` (index of its reduction) and `was_m` (what
    counted so far). Every correction is kept, and told in the job's history.
    Raises UnknownId, or WrongState for a job that has ended or is being withdrawn.
    """
    before = get(connection, job_id)
    if before.has_ended or before.withdraw_ordered_at is not None:
        raise WrongState(
            f"job {job_id} is {before.state}, so no length of it can be corrected.",
            advice="State the arm's length as it is now: benchd antenna add.",
        )
    noted = before.answer or {"step": None, "removed_m": None, "stop": False}
    entry = {**look, "removed_m": removed_m, "at": now.isoformat()}
    corrected = [*before.corrections, entry]
    after = write(
        connection, before, replace(before, answer={**noted, "corrected": corrected}), now
    )
    was = "unknown" if look["was_m"] is None else f"{look['was_m'] * 1e3:g} mm"
    words = f"look {look['look']}: {removed_m * 1e3:g} mm taken off each arm, not {was}"
    add_event(connection, replace(after, message=words), now)
    return after


def stop(connection: Connection, job_id: str, now: datetime) -> JobRow:
    """End a trim session as done: one that waits at once, one that is under way by its runner.

    Noted once: a second order changes nothing. Raises UnknownId, or WrongState for an ended job, or
    one that is being withdrawn.
    """
    before = get(connection, job_id)
    if before.has_ended or before.withdraw_ordered_at is not None:
        raise WrongState(f"job {job_id} is {before.state}, so it cannot be stopped.")
    if before.stop_ordered:
        return before
    answer = {**(before.answer or {"step": None, "removed_m": None}), "stop": True}
    after = replace(before, answer=answer, message="is being stopped by order")
    if before.state not in UNDER_WAY:
        after = replace(after, state=JobState.DONE, message=STOPPED_WORDS)
    return write(connection, before, after, now)


def _said(before: JobRow, removed_m: float | None) -> dict[str, Any] | None:
    """The answer to the request that stands, with what was noted for it before."""
    hands = before.hands or {}
    if not hands.get("look"):
        return before.answer
    noted = before.answer or {}
    if removed_m is None and noted.get("step") == hands.get("step"):
        removed_m = noted.get("removed_m")
    said = {"step": hands.get("step"), "removed_m": removed_m, "stop": before.stop_ordered}
    return {**said, "corrected": before.corrections} if before.corrections else said
