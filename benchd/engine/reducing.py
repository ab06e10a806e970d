"""Running reduce steps: from stored captures to results that record what they were made from."""

from __future__ import annotations

import hashlib
from collections.abc import Callable, Collection
from dataclasses import replace
from datetime import UTC, datetime
from typing import Protocol

from benchd.bench import Bench
from benchd.curves import Curve
from benchd.errors import ReductionRefused, UnknownId
from benchd.known.archive import Archive, AskedOnce
from benchd.known.captures import BenchKnowledge, JobCaptures
from benchd.reductions import DrawnLater, Outcome, kinds
from benchd.results import Result, ResultRecord
from benchd.store import JobRow, ReadyResult, made_ready
from benchd.worksheet import CaptureStep, ReduceStep, Worksheet


def _now() -> datetime:
    return datetime.now(UTC)


class History(Archive, Protocol):
    """The store as far as reducing needs it."""

    def job(self, job_id: str) -> JobRow:
        """One job. Raises UnknownId."""


class Reducer:
    """Runs reduce steps over stored captures. The same captures give the same numbers."""

    def __init__(self, bench: Bench, store: History, clock: Callable[[], datetime] = _now) -> None:
        self.bench = bench
        self._store = store
        self._clock = clock

    def outcome(self, job_id: str, step: ReduceStep) -> Outcome:
        """Results and reduced curves of one step. Raises ReductionRefused and others."""
        kind = kinds().get(step.settings.kind)
        if kind is None:
            raise ReductionRefused(
                f'there is no reduction "{step.settings.kind}"; there are {", ".join(kinds())}',
                where=step.label,
                advice="Install the package that offers it again.",
            )
        archive = AskedOnce(self._store)
        job = self._job(job_id)
        captures = JobCaptures(
            archive,
            job_id,
            step.label,
            None if job is None else job.started_at,
            {one["capture"]: float(one["removed_m"]) for one in job.corrections} if job else {},
        )
        found = kind.reduce(step.settings, captures, BenchKnowledge(self.bench, archive))
        curves = DrawnLater(lambda: [replace(curve, reduction=step.name) for curve in found.curves])
        return replace(found, curves=curves)

    def _job(self, job_id: str) -> JobRow | None:
        try:
            return self._store.job(job_id)
        except UnknownId:
            return None

    def records(self, job_id: str, worksheet: Worksheet, step: ReduceStep) -> list[ResultRecord]:
        """The step's results with what they were made from, not yet stored.

        Their ids are made from job, step, number and captures. So reducing again after an
        interruption gives the same ids, and a subscriber can recognise duplicates. Where a length
        was corrected before, they are new ones.
        """
        outcome = self.outcome(job_id, step)
        job = self._job(job_id)
        corrected = sum(one["step"] <= step.index for one in job.corrections) if job else 0
        moment, digest = self._clock(), worksheet.digest
        return [
            ResultRecord(
                id=_result_id(job_id, step.index, number, result, corrected),
                bench=worksheet.bench,
                job_id=job_id,
                step=step.name,
                recipe=worksheet.recipe,
                recipe_hash=worksheet.recipe_hash,
                worksheet_hash=digest,
                instruments=outcome.instruments,
                reduced_at=moment,
                result=result,
                bindings=dict(step.bindings),
            )
            for number, result in enumerate(outcome.results)
        ]

    def ready(self, job_id: str, worksheet: Worksheet, step: ReduceStep) -> list[ReadyResult]:
        """As `records`, made ready to be stored. Raises ReductionRefused for one that is no
        number."""
        return made_ready(self.records(job_id, worksheet, step))

    def all_curves(self, job_id: str, worksheet: Worksheet) -> list[Curve]:
        """The curves of every step whose captures were taken."""
        return [
            curve
            for step in self._steps(job_id, worksheet)
            for curve in self.outcome(job_id, step).curves
        ]

    def all_records(self, job_id: str, worksheet: Worksheet) -> list[ResultRecord]:
        """The results of every step whose captures were taken."""
        return [
            record
            for step in self._steps(job_id, worksheet)
            for record in self.records(job_id, worksheet, step)
        ]

    def _steps(self, job_id: str, worksheet: Worksheet) -> list[ReduceStep]:
        return reducible(worksheet, {row.step for row in self._store.captures(job_id=job_id)})


def _result_id(
    job_id: str, step_index: int, number: int, result: Result, corrected: int = 0
) -> str:
    """corrected: how many corrections the result counts with."""
    basis = f"{job_id}/{step_index}/{number}/{','.join(result.captures)}"
    if corrected:
        basis += f"/{corrected}"
    digest = hashlib.sha256(basis.encode()).hexdigest()
    return f"res-{job_id.removeprefix('job-')}-{step_index:04d}{number:04d}-{digest[:8]}"


def reducible(worksheet: Worksheet, taken: Collection[str]) -> list[ReduceStep]:
    """The reduce steps whose captures were taken; all of them where none has its captures, so that
    the first says what is missing.

    taken: names of the job's stored captures. A job may have ended without some of them: as a trim
    session that was stopped, or because nobody answered a request.
    """
    named = {step.name for step in worksheet.steps if isinstance(step, CaptureStep)}
    steps = [step for step in worksheet.steps if isinstance(step, ReduceStep)]
    whole = [step for step in steps if not (step.needed_captures & named) - set(taken)]
    return whole or steps
