"""Jobs: their rows, their states, and the order in which they are taken."""

from __future__ import annotations

from collections.abc import Collection
from dataclasses import dataclass, replace
from datetime import datetime
from typing import Any

from pydantic import ValidationError
from sqlalchemy import Connection, RowMapping, bindparam, case, insert, or_, select, update

from benchd.errors import UnknownId
from benchd.job_request import JobRequest
from benchd.jobstates import ENDED, UNDER_WAY, JobState
from benchd.reductions import worksheet_from
from benchd.store import codec
from benchd.store.errors import StoreDamaged, WrongState
from benchd.store.ids import new_id
from benchd.store.readable_rows import Damage, one, readable
from benchd.store.schema import job_events, jobs, worksheets
from benchd.worksheet import Worksheet, digest_of

# An interrupted job goes back to `waiting`, to resume or to run again; so does one whose hands
# request stays without an answer. A job under way whose window closes is `missed`. A state may be
# set again to report a new step or another hands request; one in which a job has ended may not.
_NEXT: dict[JobState, frozenset[JobState]] = {
    JobState.WAITING: frozenset(
        {JobState.WAITING, JobState.RUNNING, JobState.WITHDRAWN, JobState.MISSED, JobState.FAILED}
    ),
    JobState.RUNNING: frozenset(JobState),
    JobState.NEEDS_HANDS: frozenset(JobState) - {JobState.DONE},
    **dict.fromkeys(ENDED, frozenset()),
}
# Statements that every step of a job needs are built once: building one takes several times as
# long as carrying it out.
_GET = select(jobs).where(jobs.c.id == bindparam("job"))
_ADD_EVENT = insert(job_events)
_CHANGED = (
    "state",
    "priority",
    "message",
    "error",
    "hands",
    "step_index",
    "started_at",
    "ended_at",
    "interruptions",
    "withdraw_ordered_at",
    "put_back_at",
    "answer",
)
_CHANGE = update(jobs).where(jobs.c.id == bindparam("job"))
_MOVE = update(jobs).where(jobs.c.id == bindparam("job")).values(step_index=bindparam("to"))
_TAKE_BACK = (
    update(jobs)
    .where(jobs.c.id == bindparam("job"), jobs.c.reduced_index > bindparam("to"))
    .values(reduced_index=bindparam("to"))
)
_NOTE_REDUCED = (
    update(jobs)
    .where(jobs.c.id == bindparam("job"))
    .values(
        # The job itself may be at a later step already; it never goes back here.
        step_index=case(
            (jobs.c.step_index < bindparam("to"), bindparam("to")), else_=jobs.c.step_index
        ),
        reduced_index=bindparam("to"),
    )
)
WITHDRAWN_WORDS = "withdrawn by order"
STOPPED_WORDS = "stopped by order; its looks are kept"


@dataclass(frozen=True, slots=True)
class JobRow:
    """One job as it stands. Times are UTC.

    priority: higher runs first. step_index: the next step to run, from 0.
    expected_s: the worksheet's expected time, a person's time not counted.
    interruptions: how often the daemon found the job under way when it started.
    error: `BenchdError.as_dict` of what ended the job. hands: what a person is asked to do.
    withdraw_ordered_at: when somebody ordered the job to be withdrawn while it was under way. From
        then on it can only end as withdrawn, whatever happens to the daemon.
    put_back_at: when its hands request went without an answer for too long, so that the jobs that
        wait are let through before it.
    serial: serial number of its antenna, if it was queued for one. batch: what such jobs have in
        common.
    answer: what was last said to a request before a look: `step` of the request, `removed_m` (what
        was taken off each arm since the look before, m; None where nobody said it), and `stop`
        (whether the session is to end), and `corrected`: lengths that were corrected after their
        look, oldest first (see `job_orders.correct_removed`). None where nothing was said.
    """

    id: str
    bench: str
    recipe: str
    title: str
    worksheet_hash: str
    state: JobState
    priority: int
    created_at: datetime
    not_before: datetime | None
    finish_by: datetime | None
    started_at: datetime | None
    ended_at: datetime | None
    step_index: int
    steps_total: int
    expected_s: float
    interruptions: int
    message: str
    error: dict[str, Any] | None
    hands: dict[str, Any] | None
    withdraw_ordered_at: datetime | None = None
    put_back_at: datetime | None = None
    serial: str | None = None
    batch: str | None = None
    answer: dict[str, Any] | None = None

    @property
    def progress(self) -> float:
        """Steps done, 0 to 1."""
        if self.state is JobState.DONE:
            return 1.0
        return self.step_index / self.steps_total if self.steps_total else 0.0

    @property
    def stop_ordered(self) -> bool:
        """Whether somebody ordered the trim session to end; it then ends as done."""
        return bool((self.answer or {}).get("stop"))

    @property
    def corrections(self) -> list[dict[str, Any]]:
        """What was corrected of the lengths of a trim session, oldest first; the last counts."""
        return list((self.answer or {}).get("corrected", ()))

    @property
    def has_ended(self) -> bool:
        """True where no state can follow."""
        return not _NEXT[self.state]


@dataclass(frozen=True, slots=True)
class JobEventRow:
    """One line of a job's history. `number` rises over all jobs."""

    number: int
    job_id: str
    at: datetime
    state: JobState
    step_index: int
    message: str


def _job(row: RowMapping) -> JobRow:
    fields = {name: row[name] for name in JobRow.__slots__}
    for name in ("error", "hands", "answer"):
        fields[name] = None if fields[name] is None else codec.loads(fields[name])
    return JobRow(**{**fields, "state": JobState(fields["state"])})


def add(
    connection: Connection,
    worksheet: Worksheet,
    request: JobRequest,
    now: datetime,
) -> JobRow:
    """A new waiting job and, if it is the first of its kind, its worksheet."""
    digest = worksheet.digest
    known = select(worksheets.c.hash).where(worksheets.c.hash == digest)
    if connection.execute(known).first() is None:
        connection.execute(
            insert(worksheets).values(
                hash=digest, body=codec.dumps(worksheet.model_dump(mode="json"))
            )
        )
    job = JobRow(
        id=new_id("job"),
        bench=worksheet.bench,
        recipe=worksheet.recipe,
        title=worksheet.title,
        worksheet_hash=digest,
        state=JobState.WAITING,
        priority=request.priority,
        created_at=now,
        not_before=request.not_before,
        finish_by=request.finish_by,
        started_at=None,
        ended_at=None,
        step_index=0,
        steps_total=len(worksheet.steps),
        expected_s=worksheet.expected_s,
        interruptions=0,
        message="",
        error=None,
        hands=None,
        serial=request.serial,
        batch=request.batch,
    )
    fields = {name: getattr(job, name) for name in JobRow.__slots__}
    fields = {**fields, "state": job.state.value, "reduced_index": 0}
    connection.execute(insert(jobs).values(fields))
    add_event(connection, job, now)
    return job


def add_event(connection: Connection, job: JobRow, now: datetime) -> None:
    """Add a line to the job's history with its present state."""
    row = {"job_id": job.id, "at": now, "state": job.state.value}
    connection.execute(_ADD_EVENT, {**row, "step_index": job.step_index, "message": job.message})


def get(connection: Connection, job_id: str) -> JobRow:
    """Raises UnknownId."""
    row = connection.execute(_GET, {"job": job_id}).mappings().first()
    if row is None:
        raise UnknownId(f"there is no job {job_id}.", advice="List the jobs to see their ids.")
    return one(_job, row, f"job {job_id}")


def listed(
    connection: Connection,
    damage: Damage,
    *,
    bench: str | None,
    states: Collection[JobState] | None,
    limit: int | None,
    newest_first: bool,
) -> list[JobRow]:
    """Jobs by the time they were queued."""
    query = select(jobs)
    if bench is not None:
        query = query.where(jobs.c.bench == bench)
    if states is not None:
        query = query.where(jobs.c.state.in_([JobState(state).value for state in states]))
    order = (jobs.c.created_at, jobs.c.id)
    query = query.order_by(*(column.desc() if newest_first else column for column in order))
    return readable(connection, jobs, query.limit(limit), _job, damage)


def next_waiting(
    connection: Connection, damage: Damage, bench: str, now: datetime
) -> JobRow | None:
    """The job to run now: inside its window, highest priority first, then the oldest.

    Jobs that were put back come last, the one that was put back longest ago first.
    """
    query = (
        select(jobs)
        .where(jobs.c.bench == bench, jobs.c.state == JobState.WAITING.value)
        .where(or_(jobs.c.not_before.is_(None), jobs.c.not_before <= now))
        .where(or_(jobs.c.finish_by.is_(None), jobs.c.finish_by > now))
        .order_by(
            case((jobs.c.put_back_at.is_(None), 0), else_=1),
            jobs.c.put_back_at,
            jobs.c.priority.desc(),
            jobs.c.created_at,
            jobs.c.id,
        )
    )
    # If the first is damaged, all are read, so that the others are not held up.
    found = readable(connection, jobs, query.limit(1), _job, damage)
    found = found or readable(connection, jobs, query, _job, damage)
    return found[0] if found else None


def change(
    connection: Connection,
    job_id: str,
    state: JobState,
    *,
    message: str,
    error: dict[str, Any] | None,
    hands: dict[str, Any] | None,
    step_index: int | None,
    now: datetime,
    only_from: JobState | None = None,
    put_back: bool = False,
) -> JobRow:
    """Set a job's state. Raises UnknownId, or WrongState where the state cannot follow.

    A job whose withdrawal was ordered becomes `withdrawn` in place of anything else that would
    end it or let it wait. A trim session whose stop was ordered becomes `done` instead of waiting.
    """
    before = get(connection, job_id)
    if before.withdraw_ordered_at is not None and state not in UNDER_WAY:
        state, message = JobState.WITHDRAWN, WITHDRAWN_WORDS
    elif before.stop_ordered and state is JobState.WAITING:
        state, message = JobState.DONE, STOPPED_WORDS
    stopped = before.stop_ordered and state is JobState.DONE and not before.has_ended
    if not (stopped or state in _NEXT[before.state]) or only_from not in (None, before.state):
        raise WrongState(
            f"job {job_id} is {before.state}, so it cannot become {state}.",
            advice="Queue it again if it should run again." if before.has_ended else "",
        )
    after = replace(
        before,
        state=state,
        message=message,
        error=error,
        hands=hands if state is JobState.NEEDS_HANDS else None,
        step_index=before.step_index if step_index is None else step_index,
        put_back_at=now if put_back else before.put_back_at,
    )
    if step_index is not None and step_index < before.step_index:
        # A job that begins again has its reductions before it once more.
        connection.execute(_TAKE_BACK, {"job": job_id, "to": step_index})
    return write(connection, before, after, now)


def set_priority(connection: Connection, job_id: str, priority: int, now: datetime) -> JobRow:
    """Give a waiting job another priority. Raises UnknownId, or WrongState where it does not
    wait."""
    before = get(connection, job_id)
    if before.state is not JobState.WAITING:
        raise WrongState(f"job {job_id} is {before.state}, so its place in the queue is no more.")
    return write(connection, before, replace(before, priority=priority), now)


def write(connection: Connection, before: JobRow, after: JobRow, now: datetime) -> JobRow:
    """Store a changed job, with a line of history; returns it."""
    if after.state is JobState.RUNNING and before.started_at is None:
        after = replace(after, started_at=now)
    if after.has_ended:
        after = replace(after, ended_at=now)
    _write(connection, after)
    add_event(connection, after, now)
    return after


def move_to_step(connection: Connection, job_id: str, step_index: int) -> None:
    """Note the next step to run. Raises UnknownId."""
    if connection.execute(_MOVE, {"job": job_id, "to": step_index}).rowcount == 0:
        get(connection, job_id)


def note_reduced(connection: Connection, job_id: str, step_index: int) -> None:
    """Note that every reduction before this step is committed. Raises UnknownId."""
    if connection.execute(_NOTE_REDUCED, {"job": job_id, "to": step_index}).rowcount == 0:
        get(connection, job_id)


def reduced_index(connection: Connection, job_id: str) -> int:
    """The step before which all reductions of a job are committed. Raises UnknownId.

    A job of an earlier benchd never left one behind: its next step.
    """
    query = select(jobs.c.reduced_index).where(jobs.c.id == job_id)
    noted: int | None = connection.execute(query).scalar()
    return get(connection, job_id).step_index if noted is None else noted


def mark_interrupted(
    connection: Connection, damage: Damage, bench: str, now: datetime
) -> list[JobRow]:
    """Count an interruption of every job found under way; their states stay as they are."""
    found = listed(
        connection, damage, bench=bench, states=UNDER_WAY, limit=None, newest_first=False
    )
    marked = [
        replace(
            job,
            interruptions=job.interruptions + 1,
            message="Interrupted: benchd had stopped while this job was under way.",
        )
        for job in found
    ]
    for job in marked:
        _write(connection, job)
        add_event(connection, job, now)
    return marked


def _write(connection: Connection, job: JobRow) -> None:
    row = {name: getattr(job, name) for name in _CHANGED}
    for name in ("error", "hands", "answer"):
        row[name] = None if row[name] is None else codec.dumps(row[name])
    connection.execute(_CHANGE, {**row, "state": job.state.value, "job": job.id})


def worksheet(connection: Connection, job_id: str) -> Worksheet:
    """The job's worksheet. Raises UnknownId, or StoreDamaged if it no longer fits its hash."""
    job = get(connection, job_id)
    query = select(worksheets.c.body).where(worksheets.c.hash == job.worksheet_hash)
    document = codec.loads(connection.execute(query).scalar_one())
    # The hash of the stored text, not of the worksheet as read: a newer benchd adds fields that
    # the stored one did not have.
    if digest_of(document) != job.worksheet_hash:
        raise StoreDamaged(f"the worksheet of job {job_id} does not match its hash.")
    try:
        return worksheet_from(document)
    except ValidationError as error:
        first = error.errors(include_url=False)[0]
        place = ".".join(str(part) for part in first["loc"])
        raise StoreDamaged(
            f"the worksheet of job {job_id} cannot be read: {place}: {first['msg']}."
        ) from error


def events(
    connection: Connection, *, job_id: str | None, after: int, limit: int | None
) -> list[JobEventRow]:
    """History, oldest first, with numbers above `after`."""
    query = select(job_events).where(job_events.c.number > after)
    if job_id is not None:
        query = query.where(job_events.c.job_id == job_id)
    rows = connection.execute(query.order_by(job_events.c.number).limit(limit)).mappings()
    return [JobEventRow(**{**row, "state": JobState(row["state"])}) for row in rows]
