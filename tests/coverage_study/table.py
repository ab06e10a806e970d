"""Counts how often the intervals held, and writes it down."""

from __future__ import annotations

import math
from collections.abc import Iterable
from dataclasses import dataclass

import numpy as np

from tests.coverage_study.study import ONE_END, Line

LEAST, MOST = 0.93, 0.97
ORDER = (
    "return_loss",
    "vswr",
    "worst_return_loss",
    "worst_vswr",
    "resonance_frequency",
    "further_resonance_frequency",
    "no_resonance",
    "bandwidth",
    "bandwidth_low_edge",
    "bandwidth_high_edge",
    "trim_per_arm",
    "realised_gain",
)
FOREIGN_ONLY = ("further_resonance_frequency", "no_resonance")
"""Quantities that only benches of foreign make bring."""


@dataclass(frozen=True)
class Row:
    """How often intervals of one quantity in one region held the truth.

    low, high: what the share may really be, from the number of benches (two standard deviations
    of a binomial law; lines of one bench share its errors, so benches count, not lines).
    reach: 95 % quantile of |error| over the half-width: 1 for intervals as wide as they must be.
    half: median half-width, in the unit of the quantity.
    """

    quantity: str
    region: str
    lines: int
    benches: int
    share: float
    scatter: float
    reach: float
    half: float

    @property
    def standing(self) -> str:
        """In words. A least value alone is to hold in 95 % or more, however deep one looks; what
        is not there is to be told by nobody."""
        if self.region == ONE_END and self.share >= LEAST:
            return "holds, as a limit"
        if self.quantity == "no_resonance" and self.share >= LEAST:
            return "holds: none is told"
        if LEAST <= self.share <= MOST:
            return "holds"
        too_few = self.share < LEAST
        near = LEAST - self.scatter <= self.share <= MOST + self.scatter
        word = "too narrow" if too_few else "too wide"
        return f"{word}, within the study's own scatter" if near else word


def rows(lines: Iterable[Line]) -> list[Row]:
    """One row for each quantity and region, and one for each quantity as a whole."""
    gathered: dict[tuple[str, str], list[Line]] = {}
    for line in lines:
        gathered.setdefault((line.quantity, line.region), []).append(line)
    found = []
    for quantity in ORDER:
        parts = {region: some for (name, region), some in gathered.items() if name == quantity}
        found += [_row(quantity, region, parts[region]) for region in sorted(parts)]
        if len(parts) > 1:
            found.append(_row(quantity, "all", [one for some in parts.values() for one in some]))
    return found


def _row(quantity: str, region: str, lines: list[Line]) -> Row:
    benches = len({line.seed for line in lines})
    errors = [abs(line.error) for line in lines if line.error is not None]
    halves = [
        (line.high - line.low) / 2.0
        for line in lines
        if line.low is not None and line.high is not None
    ]
    return Row(
        quantity,
        region,
        len(lines),
        benches,
        float(np.mean([line.held for line in lines])),
        2.0 * math.sqrt(0.95 * 0.05 / benches),
        float(np.quantile(errors, 0.95)) if errors else math.nan,
        float(np.median(halves)) if halves else math.nan,
    )


def half_words(row: Row) -> str:
    """The median half-width with its unit: frequencies in MHz, lengths in mm."""
    if math.isnan(row.half):
        return "-"
    if row.quantity.endswith("vswr"):
        return f"{row.half:.2g}"
    if row.quantity == "trim_per_arm":
        return f"{row.half * 1e3:.2g} mm"
    in_db = "loss" in row.quantity or "gain" in row.quantity
    return f"{row.half:.2g} dB" if in_db else f"{row.half / 1e6:.2g} MHz"


def markdown(found: Iterable[Row]) -> str:
    """The table for the docs."""
    lines = [
        "| quantity | region | intervals | benches | held | scatter | reach | half-width | |",
        "| --- | --- | ---: | ---: | ---: | ---: | ---: | ---: | --- |",
    ]
    for row in found:
        lines.append(
            f"| {row.quantity.replace('_', ' ')} | {row.region} | {row.lines} | {row.benches} "
            f"| {100 * row.share:.1f} % | ±{100 * row.scatter:.1f} "
            f"| {'-' if math.isnan(row.reach) else f'{row.reach:.2f}'} "
            f"| {half_words(row)} | {row.standing} |"
        )
    return "\n".join(lines)
