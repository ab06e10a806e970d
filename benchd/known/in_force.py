"""Which qualifications of the bench were in force when a capture was taken.

The same rules as for a reduction: the newest qualification from before the capture whose parts are
described as they were for it, as far as its frequencies reach.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from datetime import datetime

from benchd.known.archive import Archive
from benchd.known.qualification_results import (
    BEYOND,
    BOX_SPREAD,
    DIRECTIVITY,
    JOINT,
    PATH_SPREAD,
    REPEATABILITY,
    SOURCE_MATCH,
    newest_records,
)
from benchd.traces import Capture

LOOKED_UP = (
    (DIRECTIVITY, ""),
    (SOURCE_MATCH, ""),
    (JOINT, ""),
    (REPEATABILITY, ""),
    (BOX_SPREAD, "box"),
    (PATH_SPREAD, "box"),
)


@dataclass(frozen=True, slots=True)
class InForce:
    """One qualified quantity that a capture on this route was reduced with.

    least, greatest: of its values at the qualified frequencies, in `unit`. band_hz: their ends.
    covers: False where the capture reaches farther than the qualification may be used; then the
        bench file or a default was taken instead.
    """

    quantity: str
    unit: str
    route: str
    job_id: str
    recipe: str
    reduced_at: datetime
    band_hz: tuple[float, float]
    least: float
    greatest: float
    covers: bool


def in_force(archive: Archive, captures: Iterable[Capture]) -> list[InForce]:
    """What was in force for these captures; each qualification once for each route."""
    found: dict[tuple[str, str, str], InForce] = {}
    for capture in captures:
        for name, part in LOOKED_UP:
            one = _of(archive, capture, name, part)
            if one is not None:
                found.setdefault((one.route, one.quantity, one.job_id), one)
    return list(found.values())


def _of(archive: Archive, capture: Capture, name: str, part: str) -> InForce | None:
    records = newest_records(archive, name, capture, part)
    if not records:
        return None
    places = [record.result.frequency_hz for record in records]
    known_hz = sorted(place for place in places if place is not None)
    values = [record.result.value for record in records]
    grid = capture.level.along.values
    return InForce(
        quantity=name,
        unit=records[0].result.unit,
        route=capture.route,
        job_id=records[0].job_id,
        recipe=records[0].recipe,
        reduced_at=records[0].reduced_at,
        band_hz=(known_hz[0], known_hz[-1]),
        least=min(values),
        greatest=max(values),
        covers=known_hz[0] * (1.0 - BEYOND) <= float(grid[0])
        and float(grid[-1]) <= known_hz[-1] * (1.0 + BEYOND),
    )
