"""The store as the rest of benchd sees it."""

from __future__ import annotations

import os
from collections.abc import Callable, Collection, Iterator, Sequence
from contextlib import contextmanager
from datetime import UTC, datetime
from types import TracebackType
from typing import Any, Self

from sqlalchemy import Connection, text

from benchd.job_request import JobRequest
from benchd.jobstates import JobState
from benchd.results import ResultRecord, Verdict
from benchd.store import (
    bench_texts,
    captures,
    job_orders,
    jobs,
    orders,
    outbox,
    result_checks,
    results,
)
from benchd.store.bench_lock import BenchLock
from benchd.store.captures import CaptureRow
from benchd.store.database import Database
from benchd.store.decoded import Decoded
from benchd.store.errors import StoreError
from benchd.store.jobs import JobEventRow, JobRow
from benchd.store.orders import Answered
from benchd.store.publishing_calls import PublishingCalls
from benchd.store.readable_rows import Damage
from benchd.store.ready_results import ReadyResult, made_ready
from benchd.traces import Capture, Role
from benchd.worksheet import Worksheet


def _utc_now() -> datetime:
    return datetime.now(UTC)


class Store(PublishingCalls):
    """Jobs, captures, results and the outbox.

    Synchronous and safe to use from several threads. Every method is one transaction: when it
    returns, its data are on the disk; when it raises, nothing was changed. Any method may raise
    StoreError (disk full, not writable, damaged).
    """

    def __init__(self, database: Database, clock: Callable[[], datetime] = _utc_now) -> None:
        self._database = database
        self._clock = clock
        self._listeners: list[Callable[[], None]] = []
        self._damage = Damage()
        self._decoded = Decoded()

    @classmethod
    def open(
        cls, place: str | os.PathLike[str], *, clock: Callable[[], datetime] = _utc_now
    ) -> Self:
        """Open a database by path or URL, making or upgrading its tables.

        Raises StoreTooNew if a newer benchd made it, StoreDamaged if it is no sound database, or
        an empty file where there was one. Then nothing was changed.
        """
        database = Database(place)
        try:
            database.migrate()
        except BaseException:
            database.close()
            raise
        return cls(database, clock)

    @classmethod
    def beside(cls, place: str) -> Self:
        """Open a database that another process holds open, by its `place`, to read in it.

        It is neither checked nor upgraded, which that process has done.
        """
        return cls(Database(place, is_open_elsewhere=True))

    @property
    def place(self) -> str:
        """Where the database is, for `beside`: the path of its file, or its URL."""
        database = self._database
        return str(database.file or database.url.render_as_string(hide_password=False))

    def close(self) -> None:
        """Close all connections."""
        self._database.close()

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        self.close()

    def claim(self, bench: str) -> BenchLock:
        """Own a bench until the claim is released or the process ends. Raises BenchClaimed."""
        if self._database.file is None:
            raise StoreError(
                "a bench can only be claimed in an SQLite database so far.",
                where=self._database.name,
            )
        return BenchLock(self._database.file, bench)

    @contextmanager
    def atomic(self) -> Iterator[Self]:
        """Join all calls made inside, by this thread, into one transaction.

        Nests; an inner block that raises is undone by itself.
        """
        with self._writing():
            yield self

    @contextmanager
    def _writing(self) -> Iterator[Connection]:
        outermost = not self._database.in_transaction
        with self._database.writing() as connection:
            yield connection
        if outermost:
            for listener in tuple(self._listeners):
                listener()

    def on_commit(self, listener: Callable[[], None]) -> Callable[[], None]:
        """Call `listener` after every commit, in the thread that committed.

        It must be quick and must not raise. Returns a function that ends the calls.
        """
        self._listeners.append(listener)
        return lambda: self._listeners.remove(listener)

    # --- jobs ---------------------------------------------------------------------------

    def add_job(self, worksheet: Worksheet, request: JobRequest | None = None) -> JobRow:
        """Queue a job; without a request it may run at once, at priority 0."""
        now = self._clock()
        with self._writing() as connection:
            job = jobs.add(connection, worksheet, request or JobRequest(), now)
            outbox.add_job(connection, job, now)
        return job

    def job(self, job_id: str) -> JobRow:
        """Raises UnknownId."""
        with self._database.reading() as connection:
            return jobs.get(connection, job_id)

    def jobs(
        self,
        states: Collection[JobState] | None = None,
        *,
        bench: str | None = None,
        limit: int | None = None,
        newest_first: bool = True,
    ) -> list[JobRow]:
        """Jobs by the time they were queued."""
        with self._database.reading() as connection:
            return jobs.listed(
                connection,
                self._damage,
                bench=bench,
                states=states,
                limit=limit,
                newest_first=newest_first,
            )

    def next_waiting(self, bench: str, now: datetime | None = None) -> JobRow | None:
        """The job to run at `now`: inside its window, by priority, then by age."""
        with self._database.reading() as connection:
            return jobs.next_waiting(connection, self._damage, bench, now or self._clock())

    def set_state(
        self,
        job_id: str,
        state: JobState,
        *,
        message: str = "",
        error: dict[str, Any] | None = None,
        hands: dict[str, Any] | None = None,
        step_index: int | None = None,
        only_from: JobState | None = None,
        put_back: bool = False,
    ) -> JobRow:
        """Change a job's state, with a line of history and a message for subscribers.

        only_from: change it only if it stands so now. put_back: let waiting jobs pass it.
        A job whose withdrawal was ordered becomes `withdrawn` instead of ending otherwise.
        Raises UnknownId, or WrongState where the new state cannot follow the old one.
        """
        now = self._clock()
        with self._writing() as connection:
            job = jobs.change(
                connection,
                job_id,
                JobState(state),
                message=message,
                error=error,
                hands=hands,
                step_index=step_index,
                now=now,
                only_from=only_from,
                put_back=put_back,
            )
            outbox.add_job(connection, job, now)
        return job

    def set_priorities(self, priorities: dict[str, int]) -> list[JobRow]:
        """Give waiting jobs other priorities; returns them. Raises UnknownId, WrongState."""
        now = self._clock()
        with self._writing() as connection:
            changed = [
                jobs.set_priority(connection, job_id, priority, now)
                for job_id, priority in priorities.items()
            ]
            for job in changed:
                outbox.add_job(connection, job, now)
        return changed

    def order_withdrawal(self, job_id: str) -> JobRow:
        """Withdraw a waiting job; note the order for one under way, which then ends so.

        Raises UnknownId, or WrongState for a job that has ended.
        """
        now = self._clock()
        with self._writing() as connection:
            job = job_orders.withdraw(connection, job_id, now)
            outbox.add_job(connection, job, now)
        return job

    def answer_hands(
        self,
        job_id: str,
        step: int | None,
        removed_m: float | None = None,
        until: str | None = None,
    ) -> JobRow:
        """Note a person's answer to the job's request; the job is `running` again.

        removed_m: what was taken off each arm since the last look of a trim session, m.
        Raises UnknownId, or WrongState where it does not ask for that now.
        """
        now = self._clock()
        with self._writing() as connection:
            job = job_orders.answer(connection, job_id, step, now, removed_m, until)
            outbox.add_job(connection, job, now)
        return job

    def note_removed(self, job_id: str, removed_m: float) -> JobRow:
        """Note what was taken off each arm, m, for the look that a trim session asks for.

        Raises UnknownId, or WrongState where it asks for none now.
        """
        now = self._clock()
        with self._writing() as connection:
            job = job_orders.note_removed(connection, job_id, removed_m, now)
            outbox.add_job(connection, job, now)
        return job

    def correct_removed(self, job_id: str, look: dict[str, Any], removed_m: float) -> JobRow:
        """See `job_orders.correct_removed`."""
        with self._writing() as connection:
            return job_orders.correct_removed(connection, job_id, look, removed_m, self._clock())

    def order_stop(self, job_id: str) -> JobRow:
        """End a waiting trim session as done; note the order for one under way, which then ends so.

        Raises UnknownId, or WrongState for a job that has ended.
        """
        now = self._clock()
        with self._writing() as connection:
            job = job_orders.stop(connection, job_id, now)
            outbox.add_job(connection, job, now)
        return job

    def mark_interrupted(self, bench: str) -> list[JobRow]:
        """At start: the jobs found running or needing hands, each with one more interruption.

        Their states stay; the engine decides whether they resume, run again or fail.
        """
        now = self._clock()
        with self._writing() as connection:
            found = jobs.mark_interrupted(connection, self._damage, bench, now)
            for job in found:
                outbox.add_job(connection, job, now)
        return found

    def worksheet(self, job_id: str) -> Worksheet:
        """Raises UnknownId, or StoreDamaged if it no longer fits its hash."""
        with self._database.reading() as connection:
            return jobs.worksheet(connection, job_id)

    def reduced_index(self, job_id: str) -> int:
        """The step before which all reductions of a job are committed. Raises UnknownId.

        It is behind the job's next step while a reduction runs beside a capture.
        """
        with self._database.reading() as connection:
            return jobs.reduced_index(connection, job_id)

    def keep_bench(self, digest: str, texts: bench_texts.Texts) -> None:
        """Keep the texts of a bench by its hash, for jobs that are queued with it."""
        with self._writing() as connection:
            bench_texts.keep(connection, digest, texts)

    def bench_texts(self, digest: str) -> bench_texts.Texts | None:
        """The texts of the bench of that hash; None where none are kept."""
        with self._database.reading() as connection:
            return bench_texts.get(connection, digest)

    def job_events(
        self, job_id: str | None = None, *, after: int = 0, limit: int | None = None
    ) -> list[JobEventRow]:
        """History of one job or of all, oldest first, with numbers above `after`."""
        with self._database.reading() as connection:
            return jobs.events(connection, job_id=job_id, after=after, limit=limit)

    # --- orders -------------------------------------------------------------------------

    def answered_orders(self, bench: str, order_ids: Sequence[str]) -> list[Answered]:
        """What was answered under these order ids; the newest ten thousand are kept."""
        with self._database.reading() as connection:
            return orders.answered(connection, bench, order_ids)

    def keep_answers(self, bench: str, answers: Sequence[Answered]) -> None:
        """Remember answers; a later one under the same id takes the place of the earlier."""
        with self._writing() as connection:
            orders.keep(connection, bench, answers, self._clock())

    # --- captures and results -----------------------------------------------------------

    def commit_capture(
        self, capture: Capture, *, step_index_after: int | None, trace_points: int = 0
    ) -> None:
        """Store a capture and move its job on. A capture is never changed afterwards.

        step_index_after: the job's next step; None leaves it.
        trace_points: publish its first trace, thinned to that many points; 0 does not.
        """
        now = self._clock()
        with self._writing() as connection:
            captures.add(connection, capture)
            if step_index_after is not None:
                jobs.move_to_step(connection, capture.job_id, step_index_after)
            if trace_points > 0:
                outbox.add_trace(connection, capture, trace_points, now)

    def commit_results(
        self,
        job_id: str,
        step: str,
        records: Sequence[ResultRecord],
        verdicts: Sequence[Verdict] = (),
        *,
        step_index_after: int | None,
    ) -> None:
        """Store results and verdicts with their messages, and note that they are.

        step_index_after: the step after theirs. A job that was before it moves on to it.

        Raises ReductionRefused for a result that is no number (`benchd.store.result_checks`).
        """
        ready = made_ready(records)
        self.commit_ready(job_id, step, ready, verdicts, step_index_after=step_index_after)

    def commit_ready(
        self,
        job_id: str,
        step: str,
        ready: Sequence[ReadyResult],
        verdicts: Sequence[Verdict] = (),
        *,
        step_index_after: int | None,
    ) -> None:
        """As `commit_results`, of results that were made ready before."""
        verdicts = result_checks.checked_verdicts(verdicts, step)
        now = self._clock()
        with self._writing() as connection:
            bench = jobs.get(connection, job_id).bench
            results.add(connection, ready)
            results.add_verdicts(connection, job_id, step, verdicts, now)
            outbox.add_results(connection, bench, ready, now)
            outbox.add_verdicts(connection, bench, job_id, step, verdicts, now)
            if step_index_after is not None:
                jobs.note_reduced(connection, job_id, step_index_after)

    def capture(self, capture_id: str) -> Capture:
        """Raises UnknownId, or StoreDamaged if it is not what was stored."""
        with self._database.reading() as connection:
            return captures.get(connection, capture_id)

    def captures(
        self,
        bench: str | None = None,
        route: str | None = None,
        role: Role | None = None,
        antenna: str | None = None,
        job_id: str | None = None,
        limit: int | None = None,
    ) -> list[CaptureRow]:
        """Captures without traces, newest first; `load()` reads the traces."""
        with self._database.reading() as connection:
            return captures.listed(
                connection,
                self.capture,
                self._damage,
                bench=bench,
                route=route,
                role=role,
                antenna=antenna,
                job_id=job_id,
                limit=limit,
            )

    def result(self, result_id: str) -> ResultRecord:
        """Raises UnknownId."""
        with self._database.reading() as connection:
            return results.get(connection, result_id, self._decoded)

    def results(
        self,
        job_id: str | None = None,
        quantity: str | None = None,
        antenna: str | None = None,
        limit: int | None = None,
        *,
        bench: str | None = None,
    ) -> list[ResultRecord]:
        """Results, newest reduction first."""
        with self._database.reading() as connection:
            return results.listed(
                connection,
                self._damage,
                self._decoded,
                bench=bench,
                job_id=job_id,
                quantity=quantity,
                antenna=antenna,
                limit=limit,
            )

    def measured_antennas(self, bench: str) -> list[str]:
        """Names of the antennas that have results on a bench, the first measured first."""
        with self._database.reading() as connection:
            return results.measured_antennas(connection, bench)

    def verdicts(self, job_id: str) -> list[Verdict]:
        """Verdicts of one job, oldest first."""
        return self.verdicts_of([job_id])[job_id]

    def verdicts_of(self, job_ids: Sequence[str]) -> dict[str, list[Verdict]]:
        """Verdicts of each of these jobs, oldest first."""
        with self._database.reading() as connection:
            return results.verdicts_of(connection, self._damage, self._decoded, job_ids)

    def damage(self) -> list[str]:
        """The damaged rows that were met since the start and left out, one sentence each."""
        return self._damage.words()

    def try_writing(self) -> None:
        """Write to the disk without changing anything. Raises StoreError where that fails."""
        with self._database.writing() as connection:
            # It writes the page again with the same contents.
            connection.execute(text("UPDATE alembic_version SET version_num = version_num"))
