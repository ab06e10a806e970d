"""Reduce steps: from stored captures to results with their provenance, and limits held."""

from __future__ import annotations

import hashlib
from collections.abc import Callable, Iterable
from dataclasses import replace
from datetime import UTC, datetime
from typing import Literal, Protocol

from benchd.bench import Bench
from benchd.errors import ReductionRefused, UnknownId
from benchd.known.archive import Archive
from benchd.known.captures import BenchKnowledge, JobCaptures
from benchd.recipe.limits import limit_words
from benchd.reductions import Outcome, kinds
from benchd.results import Result, ResultRecord, Verdict
from benchd.store import JobRow
from benchd.worksheet import Limit, ReduceStep, Worksheet


def _now() -> datetime:
    return datetime.now(UTC)


class History(Archive, Protocol):
    """The store as far as reducing needs it."""

    def job(self, job_id: str) -> JobRow:
        """One job. Raises UnknownId."""


class Reducer:
    """Runs reduce steps over stored captures. The same captures give the same numbers."""

    def __init__(self, bench: Bench, store: History, clock: Callable[[], datetime] = _now) -> None:
        self._bench = bench
        self._store = store
        self._clock = clock

    def outcome(self, job_id: str, worksheet: Worksheet, step: ReduceStep) -> Outcome:
        """Results and reduced curves of one step. Raises ReductionRefused and others."""
        kind = kinds().get(step.settings.kind)
        if kind is None:
            raise ReductionRefused(
                f'there is no reduction "{step.settings.kind}"; there are {", ".join(kinds())}',
                where=step.label,
                advice="Install the package that offers it again.",
            )
        captures = JobCaptures(self._store, job_id, step.label, self._began_at(job_id))
        found = kind.reduce(step.settings, captures, BenchKnowledge(self._bench, self._store))
        curves = tuple(replace(curve, reduction=step.name) for curve in found.curves)
        return replace(found, curves=curves)

    def _began_at(self, job_id: str) -> datetime | None:
        try:
            return self._store.job(job_id).started_at
        except UnknownId:
            return None

    def records(self, job_id: str, worksheet: Worksheet, step: ReduceStep) -> list[ResultRecord]:
        """The step's results with their provenance, not yet stored.

        Ids follow from job, step, place and captures, so that reducing again after an
        interruption gives the same ids and a subscriber can drop the duplicates.
        """
        outcome = self.outcome(job_id, worksheet, step)
        moment = self._clock()
        return [
            ResultRecord(
                id=_result_id(job_id, step.index, number, result),
                bench=worksheet.bench,
                job_id=job_id,
                step=step.name,
                recipe=worksheet.recipe,
                recipe_hash=worksheet.recipe_hash,
                worksheet_hash=worksheet.digest,
                instruments=outcome.instruments,
                reduced_at=moment,
                result=result,
                bindings=dict(step.bindings),
            )
            for number, result in enumerate(outcome.results)
        ]


def _result_id(job_id: str, step_index: int, number: int, result: Result) -> str:
    basis = f"{job_id}/{step_index}/{number}/{','.join(result.captures)}"
    digest = hashlib.sha256(basis.encode()).hexdigest()
    return f"res-{job_id.removeprefix('job-')}-{step_index:04d}{number:04d}-{digest[:8]}"


UNMEASURED = frozenset(
    {"path-broken", "overload", "uncalibrated", "no-noise-margin", "below-directivity"}
)
"""Flags of a value that was not measured, at most bounded."""

BOUNDED = frozenset({"below-directivity"})
"""Those among them that leave a bound: the value hides behind the coupler's leak."""


def hold_against(limits: Iterable[Limit], records: list[ResultRecord]) -> list[Verdict]:
    """Each limit against the result it concerns (the newest of that quantity).

    `pass` and `fail` need the whole 95 % interval on one side of the limit; where only the value
    lies there, the verdict is marginal (decision rules of JCGM 106:2012, section 8; from memory).
    What was not measured neither passes nor fails: `cannot-tell`. A value that is only bounded
    passes by its bound, and by nothing else.
    """
    return [_verdict(limit, _concerned(limit, records)) for limit in limits]


def _concerned(limit: Limit, records: list[ResultRecord]) -> Result | None:
    for record in records:
        result = record.result
        if result.quantity != limit.quantity:
            continue
        if limit.reduction is not None and record.step != limit.reduction:
            continue
        if limit.at_hz is not None and (
            result.frequency_hz is None
            or abs(result.frequency_hz - limit.at_hz) > 1e-9 * limit.at_hz
        ):
            continue
        return result
    return None


def _verdict(limit: Limit, result: Result | None) -> Verdict:
    words = limit_words(limit)
    if result is None:
        return Verdict(limit.quantity, "absent", None, words)
    margins = []
    certain = []
    if limit.least is not None:
        margins.append(result.value - limit.least)
        certain.append((result.low, limit.least, 1.0, result.high))
    if limit.most is not None:
        margins.append(limit.most - result.value)
        certain.append((result.high, limit.most, -1.0, result.low))
    margin = min(margins)
    unmeasured = UNMEASURED.intersection(result.flags)
    if unmeasured:
        bounded = unmeasured <= BOUNDED
        beyond = bounded and all(
            near is not None and side * (near - end) >= 0 for near, end, side, _ in certain
        )
        outcome: Literal["pass", "cannot-tell"] = "pass" if beyond else "cannot-tell"
        return Verdict(limit.quantity, outcome, margin, words, result)
    inside = margin >= 0.0
    if inside:
        sure = all(near is not None and side * (near - end) >= 0 for near, end, side, _ in certain)
        return Verdict(limit.quantity, "pass" if sure else "pass-marginal", margin, words, result)
    sure = any(far is not None and side * (far - end) < 0 for _, end, side, far in certain)
    return Verdict(limit.quantity, "fail" if sure else "fail-marginal", margin, words, result)
