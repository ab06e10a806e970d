"""Finding the captures that a reduction needs: its own job's, and stored baselines that fit."""

from __future__ import annotations

from dataclasses import dataclass

from benchd.bench import Bench
from benchd.errors import NormalisationRefused, ReductionRefused
from benchd.reduce.compatibility import description, differences
from benchd.reduce.pathcheck import PATH_BROKEN
from benchd.store import CaptureRow, Store
from benchd.traces import Capture, Role
from benchd.worksheet import ReduceStep

NEWEST = "newest"
LOOKED_AT = 200


@dataclass(frozen=True, slots=True)
class Sources:
    """Where a reduction's captures come from, and what is known of the bench."""

    bench: Bench
    store: Store
    job_id: str


def job_captures(sources: Sources) -> dict[str, Capture]:
    """The job's captures by name; of several of one name (after a restart) the newest.

    A capture whose path was broken is none."""
    found: dict[str, Capture] = {}
    for row in sources.store.captures(job_id=sources.job_id):
        if row.step not in found and PATH_BROKEN not in row.flags:
            found[row.step] = row.load()
    return found


def inputs(sources: Sources, step: ReduceStep) -> dict[str, Capture]:
    """The captures that the step names. Raises ReductionRefused for one that is not there."""
    of_job = job_captures(sources)
    found = {}
    for key, name in step.captures.items():
        if name not in of_job:
            raise ReductionRefused(
                f'the job holds no capture "{name}"',
                where=step.label,
                advice="It may have been interrupted before that step, or its path was broken; "
                "queue the recipe again.",
            )
        found[key] = of_job[name]
    return found


def baselines(sources: Sources, step: ReduceStep, test: Capture) -> dict[str, Capture]:
    """Role -> baseline that fits `test`: named ones of the job, or the newest stored.

    A stored baseline must be older than the test capture, so that reducing again later finds the
    same one. Raises NormalisationRefused naming how the nearest candidate differs.
    """
    of_job = job_captures(sources)
    found = {}
    for role, name in step.baseline.items():
        if name == NEWEST:
            found[role] = _newest(sources, step, test, role)
        elif name in of_job:
            found[role] = of_job[name]
            _require(of_job[name], test, step, role)
        else:
            raise ReductionRefused(f'the job holds no capture "{name}"', where=step.label)
    return found


def _newest(sources: Sources, step: ReduceStep, test: Capture, role: str) -> Capture:
    rows = [
        row
        for row in sources.store.captures(
            bench=test.bench, route=test.route, role=Role(role), limit=LOOKED_AT
        )
        if row.taken_at <= test.taken_at and PATH_BROKEN not in row.flags
    ]
    refusal: list[str] = []
    for row in rows:
        capture = row.load()
        apart = _differences(capture, test, step)
        if not apart:
            return capture
        refusal = refusal or apart
    if not rows:
        refusal = [f"there is no stored {role} capture of the route {test.route}"]
    raise NormalisationRefused(
        [f"{role} baseline: {sentence}" for sentence in refusal],
        where=step.label,
        advice="Run an open-and-short baseline with the settings of this capture first.",
    )


def _differences(baseline: Capture, test: Capture, step: ReduceStep) -> list[str]:
    return differences(
        description(baseline),
        description(test),
        max_age_s=step.max_age_s,
        other_grid=step.interpolate,
    )


def _require(baseline: Capture, test: Capture, step: ReduceStep, role: str) -> None:
    apart = _differences(baseline, test, step)
    if apart:
        raise NormalisationRefused(
            [f"{role} baseline {baseline.id}: {sentence}" for sentence in apart], where=step.label
        )


def newest_test_of(
    sources: Sources, antenna: str, *, before: Capture, route_kind: str
) -> list[CaptureRow]:
    """Stored test captures of an antenna on routes of one kind, newest first."""
    return [
        row
        for row in sources.store.captures(
            bench=before.bench, role=Role.TEST, antenna=antenna, limit=LOOKED_AT
        )
        if row.taken_at <= before.taken_at
        and PATH_BROKEN not in row.flags
        and row.route in sources.bench.routes
        and sources.bench.routes[row.route].kind == route_kind
    ]
