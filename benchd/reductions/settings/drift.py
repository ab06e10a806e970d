"""`drift`: a baseline watched over time."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any, ClassVar, Literal

from pydantic import Field

from benchd.files.fields import Duration, PositiveRatio
from benchd.reduce.qualify.night import DEFAULT_LIMIT_DB
from benchd.reductions.settings.base import CapturePatterns, View, reduction
from benchd.reductions.settings.qualification import Qualification
from benchd.units import Kind


@reduction("drift")
class Drift(Qualification):
    """The largest age that keeps drift within a limit, and what temperature does."""

    quantities: ClassVar[Mapping[str, Kind | None]] = {
        "max_age": Kind.TIME,
        "drift": Kind.RATIO,
        "drift_whole_watch": Kind.RATIO,
        "temperature_coefficient": None,
        "drift_verdict": None,
    }

    kind: Literal["drift"] = Field(description="drift")
    watched: CapturePatterns = Field(description="captures of the same thing, over time")
    limit_db: PositiveRatio = Field(
        DEFAULT_LIMIT_DB, alias="limit", description="most that a baseline may drift"
    )
    needed_s: Duration = Field(
        alias="needed_age", description="how old baselines get in use (max_age of the recipes)"
    )

    def series(self) -> Mapping[str, list[str]]:
        """watched."""
        return {"watched": self.watched}

    def least(self) -> Mapping[str, int]:
        """Three show a change that a straight line would hide."""
        return {"watched": 3}

    def options(self, view: View) -> dict[str, Any]:
        """at_hz, limit_db, needed_s."""
        return super().options(view) | {"limit_db": self.limit_db, "needed_s": self.needed_s}
