"""`repeatability`: the spread that reconnecting and bending cables add."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any, ClassVar, Literal

from pydantic import Field

from benchd.files.fields import PositiveRatio
from benchd.reduce.qualify.repeatability import DEFAULT_LIMIT_DB
from benchd.reductions.settings.base import CapturePatterns, View, reduction
from benchd.reductions.settings.qualification import Qualification
from benchd.units import Kind


@reduction("repeatability")
class Repeatability(Qualification):
    """Standard deviation over reconnections, and over bends where captured."""

    quantities: ClassVar[Mapping[str, Kind | None]] = {
        "repeatability_spread": Kind.RATIO,
        "flex_spread": Kind.RATIO,
        "repeatability_verdict": None,
    }

    kind: Literal["repeatability"] = Field(description="repeatability")
    joined: CapturePatterns = Field(description="captures, each after reconnecting")
    bent: CapturePatterns | None = Field(
        None, description="captures, each after bending the cable, nothing reconnected"
    )
    limit_db: PositiveRatio = Field(
        DEFAULT_LIMIT_DB, alias="limit", description="largest standard deviation that is good"
    )

    def series(self) -> Mapping[str, list[str]]:
        """joined and, where captured, bent."""
        return {"joined": self.joined} | ({"bent": self.bent} if self.bent else {})

    def least(self) -> Mapping[str, int]:
        """Three show a spread, eight a useful one."""
        return {"joined": 3, "bent": 3}

    def options(self, view: View) -> dict[str, Any]:
        """at_hz, limit_db."""
        return super().options(view) | {"limit_db": self.limit_db}
