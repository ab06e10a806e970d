"""Checking results before they are stored: values must be numbers, ends numbers or open.

Whatever is stored is also published: in tables, over HTTP, over MQTT. A value that is no number
(NaN), or an infinite end of an interval, would be drawn, compared and averaged by readers. So the
results of all reductions are checked here. A lower end at minus infinity, or an upper end at plus
infinity, is an open end, which is stored as None. Everything else that is no number is refused.
"""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence
from dataclasses import replace

from benchd.errors import ReductionRefused
from benchd.results import Result, ResultRecord, Verdict


def checked_records(records: Sequence[ResultRecord]) -> list[ResultRecord]:
    """The records with open ends as None. Raises ReductionRefused for one that is no number."""
    return [replace(record, result=_result(record)) for record in records]


def checked_verdicts(verdicts: Sequence[Verdict], step: str) -> list[Verdict]:
    """The verdicts as they are. Raises ReductionRefused for a margin that is no number."""
    for verdict in verdicts:
        if verdict.margin is not None and math.isnan(verdict.margin):
            raise _refused(step, verdict.quantity, [f"the margin to its limit is {verdict.margin}"])
    return list(verdicts)


def _result(record: ResultRecord) -> Result:
    result = record.result
    opened = replace(
        result,
        low=None if result.low == -math.inf else result.low,
        high=None if result.high == math.inf else result.high,
    )
    wrong = list(_wrong(opened))
    if wrong:
        raise _refused(record.step, result.quantity, wrong)
    return opened


def _wrong(result: Result) -> Iterator[str]:
    """The values that are no numbers, in words."""
    finite = {
        "the value": result.value,
        "the lower end": result.low,
        "the upper end": result.high,
        "the expanded uncertainty": result.expanded_uncertainty,
        "the coverage factor": result.coverage_factor,
        "the frequency": result.frequency_hz,
        "its place": None if result.along is None else result.along.value,
    }
    for name, number in finite.items():
        if number is not None and not math.isfinite(number):
            yield f"{name} is {number}"
    for end in result.band_hz or ():
        if math.isnan(end):
            yield "an end of its band is nan"
    budget = result.budget
    if budget is None:
        return
    # In a budget infinity is allowed for an open end, and for the degrees of freedom of a stated
    # limit.
    sizes = {
        "the standard uncertainty": budget.standard,
        "the budget's expanded uncertainty": budget.expanded,
        "the budget's lower end": budget.low,
        "the budget's upper end": budget.high,
        "the degrees of freedom": budget.degrees_of_freedom,
        **{f'the term "{line.name}"': line.contribution for line in budget.terms},
    }
    for name, number in sizes.items():
        if math.isnan(number):
            yield f"{name} is nan"


def _refused(step: str, quantity: str, wrong: Sequence[str]) -> ReductionRefused:
    return ReductionRefused(
        f"{quantity} of the step {step} is no number: {'; '.join(wrong)}; nothing of it was stored",
        advice="The captures are safe. This is a fault in benchd: report it with them.",
    )
