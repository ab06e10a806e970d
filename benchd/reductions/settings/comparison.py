"""`comparison`: two conditions of the bench held against each other."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any, ClassVar, Literal

from pydantic import Field

from benchd.files.fields import Label, PositiveRatio
from benchd.reduce.qualify.question import DEFAULT_WORTH_DB
from benchd.reductions.settings.base import CapturePatterns, View, reduction
from benchd.reductions.settings.qualification import Qualification
from benchd.units import Kind


@reduction("comparison")
class Comparison(Qualification):
    """Is there a difference, and would one have been seen?

    Captures of the two taken in turn (one, other, other, one) keep drift out.
    """

    quantities: ClassVar[Mapping[str, Kind | None]] = {
        "largest_difference": Kind.RATIO,
        "difference": Kind.RATIO,
        "visible_difference": Kind.RATIO,
        "comparison_verdict": None,
    }

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
        """first, second."""
        return {"first": self.first, "second": self.second}

    def least(self) -> Mapping[str, int]:
        """Two each show repeatability; with a stated one, a single pair will do."""
        return {} if self.repeatability_db is not None else {"first": 2, "second": 2}

    def options(self, view: View) -> dict[str, Any]:
        """at_hz, names, repeatability_db, worth_db."""
        return super().options(view) | {
            "names": [self.first_name, self.second_name],
            "repeatability_db": self.repeatability_db,
            "worth_db": self.worth_db,
        }
