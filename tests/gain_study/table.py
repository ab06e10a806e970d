"""Counts how often the intervals of gains held, how wide they are, and writes it down."""

from __future__ import annotations

import math
from collections.abc import Iterable

import numpy as np

from tests.coverage_study.study import Line

LEAST, MOST = 0.93, 0.98


def rows(lines: Iterable[Line]) -> list[tuple[str, str, list[Line]]]:
    """Quantity, region and their lines, in the order of names; a quantity as a whole last."""
    gathered: dict[tuple[str, str], list[Line]] = {}
    for line in lines:
        gathered.setdefault((line.quantity, line.region), []).append(line)
    found = []
    for quantity in sorted({name for name, _ in gathered}):
        parts = [(region, some) for (name, region), some in gathered.items() if name == quantity]
        found += [(quantity, region, some) for region, some in sorted(parts)]
        if len(parts) > 1:
            found.append((quantity, "all", [one for _, some in parts for one in some]))
    return found


def standing(share: float, scatter: float) -> str:
    """In words."""
    if LEAST <= share <= MOST:
        return "holds"
    word = "too narrow" if share < LEAST else "too wide"
    near = LEAST - scatter <= share <= MOST + scatter
    return f"{word}, within the study's own scatter" if near else word


def half_width(line: Line) -> float | None:
    """Half of the interval, or None where one end is open."""
    if line.low is None or line.high is None:
        return None
    return (line.high - line.low) / 2.0


def markdown(lines: Iterable[Line]) -> str:
    """The table for the docs: shares, and the median half-width beside them."""
    found = [
        "| quantity | region | intervals | benches | held | scatter | reach | half-width | |",
        "| --- | --- | ---: | ---: | ---: | ---: | ---: | ---: | --- |",
    ]
    for quantity, region, some in rows(lines):
        benches = len({line.seed for line in some})
        share = float(np.mean([line.held for line in some]))
        scatter = 2.0 * math.sqrt(0.95 * 0.05 / benches)
        errors = [abs(line.error) for line in some if line.error is not None]
        halves = [half for half in map(half_width, some) if half is not None]
        reach = f"{np.quantile(errors, 0.95):.2f}" if errors else "-"
        half = f"{np.median(halves):.3g}" if halves else "-"
        found.append(
            f"| {quantity} | {region} | {len(some)} | {benches} | {100 * share:.1f} % "
            f"| ±{100 * scatter:.1f} | {reach} | {half} | {standing(share, scatter)} |"
        )
    return "\n".join(found)
