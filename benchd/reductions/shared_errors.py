"""Comparing two results by their budgets: errors that both share cancel in the difference.

Each term of a budget names the source of its error. Terms of one source are one and the same error:
the gain of one reference antenna and its mismatch on one mount, or the baseline of one pair of
captures. The analyzer's scale error has one source too, but cancels only if both levels lie on
the same part of the scale. So the more the two levels differ, the larger is a further term for it
(`scale between the two`).
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from benchd.errors import UnknownId
from benchd.known.captures import BenchKnowledge
from benchd.reduce.compare import compare_results
from benchd.reduce.reflection_pairs import SCALE_STEP_DB
from benchd.reduce.uncertainty import term
from benchd.reductions.gain_comparison import in_one_place, placed_again
from benchd.results import Result, ResultRecord, Term
from benchd.traces import Role

SCALE = "linearity of "

SHARED_BY_MEASUREMENTS = (
    SCALE,
    "frequency reference",
    "gain of ",
    "left-over of ",
    "mismatch of ",
    "return loss of ",
    "place: ",
)
"""First words of the sources whose error is the same in several measurements. Errors of all other
sources are the same within one measurement only: the drift of one night is not that of the next."""


def own_errors(record: ResultRecord) -> Result:
    """The result with job and step added to the sources that hold within one measurement only."""
    result = record.result
    if result.budget is None:
        return result
    tail = f" in {record.job_id} {record.step}"
    terms = tuple(
        line
        if not line.source or line.source.startswith(SHARED_BY_MEASUREMENTS)
        else replace(line, source=line.source + tail)
        for line in result.budget.terms
    )
    return replace(result, budget=replace(result.budget, terms=terms))


def by_budgets(known: BenchKnowledge, one: ResultRecord, other: ResultRecord) -> Result:
    """The difference of two results; errors that both share cancel, wholly or in part."""
    further = _scale(known, one.result, other.result)
    together = in_one_place(known, one, other)
    if together is not None:
        further += placed_again(known, one.result, other.result)
        one, other = (
            replace(record, result=result)
            for record, result in zip((one, other), together, strict=True)
        )
    return compare_results(own_errors(one), own_errors(other), further=further)


def _scale(known: BenchKnowledge, first: Result, second: Result) -> tuple[Term, ...]:
    """The error of the analyzer's scale between two levels, which does not cancel, as a term."""
    lines = [
        line
        for result in (first, second)
        for line in (result.budget.terms if result.budget else ())
        if line.source.startswith(SCALE)
    ]
    # Two analyzers have independent scales: nothing has cancelled, so no term has to be added.
    if len(lines) < 2 or len({line.source for line in lines}) > 1:
        return ()
    apart_db = _levels_apart_db(known, first, second)
    share = min(1.0, apart_db / SCALE_STEP_DB)
    worst = max(lines, key=lambda line: line.contribution)
    return (
        term(
            "scale between the two",
            worst.size * share,
            worst.unit,
            worst.distribution,
            sensitivity=worst.sensitivity,
            assumed=worst.assumed,
        ),
    )


def _levels_apart_db(known: BenchKnowledge, first: Result, second: Result) -> float:
    """Difference of the two test levels, dB; infinite if a capture is gone."""
    levels = [_level_dbm(known, result) for result in (first, second)]
    if levels[0] is None or levels[1] is None:
        return float("inf")
    return abs(levels[1] - levels[0])


def _level_dbm(known: BenchKnowledge, result: Result) -> float | None:
    for capture_id in result.captures:
        try:
            capture = known.archive.capture(capture_id)
        except UnknownId:
            return None
        if capture.role is Role.TEST:
            level = capture.level.decibels
            if result.frequency_hz is None:
                return float(np.median(level))
            return float(np.interp(result.frequency_hz, capture.level.frequency_hz, level))
    return None
