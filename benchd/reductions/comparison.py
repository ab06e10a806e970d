"""`comparison`: whether two conditions of the bench give different levels."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any, Literal

from pydantic import Field

from benchd.files.fields import Label, PositiveRatio
from benchd.known.captures import BenchKnowledge, JobCaptures
from benchd.reduce.budget_inputs import Known
from benchd.reduce.compare import compare
from benchd.reduce.qualify.comparison import DEFAULT_WORTH_DB, question_results
from benchd.reductions.base import CapturePatterns
from benchd.reductions.outcome import Outcome, finished
from benchd.reductions.qualification import Qualification
from benchd.reductions.registry import reduction
from benchd.reductions.repeated_captures import curve, grid_of, reported_hz, stacked


class Comparison(Qualification):
    """Is there a difference, and would one have been seen?

    Captures of the two taken in turn (one, other, other, one) keep drift out.
    """

    kind: Literal["comparison"] = Field(description="comparison")
    first: CapturePatterns = Field(description="captures of one condition")
    second: CapturePatterns = Field(description="captures of the other condition")
    first_name: Label = Field("first", description="what the one is called")
    second_name: Label = Field("second", description="what the other is called")
    repeatability_db: PositiveRatio | None = Field(
        None,
        alias="repeatability",
        description="standard deviation of one capture; without it, from the captures themselves",
    )
    worth_db: PositiveRatio = Field(
        DEFAULT_WORTH_DB, alias="worth", description="difference that is worth acting upon"
    )

    def series(self) -> Mapping[str, list[str]]:
        """The captures under the keys first and second."""
        return {"first": self.first, "second": self.second}

    def least(self) -> Mapping[str, int]:
        """Two captures each, which show the repeatability; one each if that is stated."""
        return {} if self.repeatability_db is not None else {"first": 2, "second": 2}

    @classmethod
    def of_first_form(cls, step: dict[str, Any]) -> dict[str, Any]:
        """The first format had both conditions in one list, `names`."""
        first_name, second_name = step["options"]["names"]
        return super().of_first_form(step) | {"first_name": first_name, "second_name": second_name}


@reduction(Comparison)
def reduce_comparison(
    settings: Comparison, captures: JobCaptures, known: BenchKnowledge
) -> Outcome:
    """The differences, the smallest difference that would have been found, and the verdict.

    Raises ReductionRefused.
    """
    first, second = captures.all(settings.first), captures.all(settings.second)
    one, other = stacked(first, captures.step), stacked(second, captures.step, first[0])
    stated = settings.repeatability_db
    grid = grid_of(first[0])
    repeatability = None if stated is None else Known(stated)
    found = compare(one, other, repeatability_db=repeatability, frequency_hz=grid)
    results = question_results(
        grid,
        found,
        reported_hz(settings.at_hz, grid),
        repeats=(one.shape[0], other.shape[0]),
        names=(settings.first_name, settings.second_name),
        worth_db=settings.worth_db,
    )
    difference = curve(
        "difference",
        grid,
        found.difference_db,
        low=found.difference_db - found.limit_db,
        high=found.difference_db + found.limit_db,
    )
    return finished(first[0].antenna, [*first, *second], results, [difference])
