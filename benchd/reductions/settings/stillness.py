"""`stillness`: what people moving near the box do to a level."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any, ClassVar, Literal

from pydantic import Field

from benchd.files.fields import PositiveRatio
from benchd.reduce.qualify.stillness import DEFAULT_LIMIT_DB
from benchd.reductions.settings.base import CapturePatterns, View, reduction
from benchd.reductions.settings.qualification import Qualification
from benchd.units import Kind


@reduction("stillness")
class Stillness(Qualification):
    """Spread of repeated sweeps with people moving, lid closed and open, against none moving."""

    quantities: ClassVar[Mapping[str, Kind | None]] = {
        "stillness_spread_closed": Kind.RATIO,
        "stillness_spread_open": Kind.RATIO,
        "stillness_verdict": None,
    }

    kind: Literal["stillness"] = Field(description="stillness")
    still: CapturePatterns = Field(description="captures with the lid closed, nobody moving")
    closed: CapturePatterns = Field(description="captures with the lid closed, people moving")
    opened: CapturePatterns | None = Field(
        None, alias="open", description="captures with the lid open, people moving"
    )
    limit_db: PositiveRatio = Field(
        DEFAULT_LIMIT_DB,
        alias="limit",
        description="standard deviation that people may add with the lid closed",
    )

    def series(self) -> Mapping[str, list[str]]:
        """still, closed and, where captured, open."""
        found = {"still": self.still, "closed": self.closed}
        return found | ({"open": self.opened} if self.opened else {})

    def least(self) -> Mapping[str, int]:
        """Three each for a spread."""
        return {"still": 3, "closed": 3, "open": 3}

    def options(self, view: View) -> dict[str, Any]:
        """at_hz, limit_db."""
        return super().options(view) | {"limit_db": self.limit_db}
