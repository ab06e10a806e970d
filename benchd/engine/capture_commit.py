"""From a finished sweep to a stored capture."""

from __future__ import annotations

from collections.abc import Mapping
from datetime import UTC, datetime

from benchd.acquire import Sweep
from benchd.errors import PathBroken
from benchd.store import JobRow, JobState, Store, WrongState
from benchd.store.ids import new_id
from benchd.sweeps import SweepAsRun
from benchd.traces import PATH_BROKEN, Capture, Role
from benchd.worksheet import AcceptStep, CaptureStep, HandsStep, ReduceStep, Worksheet


def capture_of(
    job_id: str,
    worksheet: Worksheet,
    step: CaptureStep,
    sweep: Sweep,
    *,
    broken: PathBroken | None,
    instruments: dict[str, str],
    readings: Mapping[str, float],
) -> Capture:
    """The capture that a sweep has given, taken now.

    broken: why its path seems to be broken, if so. instruments: their identities. readings: what
        is known beside the sweep's own readings.
    """
    return Capture(
        id=new_id("cap"),
        bench=worksheet.bench,
        job_id=job_id,
        step=step.name,
        role=Role(step.role),
        route=step.route,
        position=step.position,
        antenna=step.antenna,
        traces=sweep.traces(),
        settings=SweepAsRun.of(step.sweep, lid=step.lid),
        fixtures=dict(step.fixtures),
        instruments=instruments,
        taken_at=datetime.now(UTC),
        recipe_hash=worksheet.recipe_hash,
        worksheet_hash=worksheet.digest,
        flags=sweep.flags if broken is None else (*sweep.flags, PATH_BROKEN),
        bindings=dict(step.bindings),
        readings={**sweep.readings, **readings},
    )


def next_capture(worksheet: Worksheet, step: CaptureStep) -> CaptureStep | None:
    """The capture that begins as soon as this one is stored; None where anything else is due, or
    where a step may be left out since nobody has answered."""
    if any(isinstance(one, HandsStep) for one in worksheet.steps):
        return None
    for one in worksheet.steps[step.index + 1 :]:
        if isinstance(one, CaptureStep):
            return one
        if not isinstance(one, ReduceStep | AcceptStep):
            return None
    return None


def commit_capture(
    store: Store,
    capture: Capture,
    *,
    step_index_after: int | None,
    upcoming: CaptureStep | None,
    trace_points: int,
) -> JobRow | None:
    """Store a capture, and in the same transaction that the next one begins, which saves a write
    to the disk between two captures.

    upcoming: the capture that follows at once; None stores the capture alone.
    Returns the job where it was stored that the next one begins.
    """
    with store.atomic():
        store.commit_capture(capture, step_index_after=step_index_after, trace_points=trace_points)
        if upcoming is None:
            return None
        try:
            return store.set_state(
                capture.job_id,
                JobState.RUNNING,
                message=upcoming.label,
                step_index=upcoming.index,
            )
        except WrongState:
            # The capture is kept all the same; the step meets this again when it begins.
            return None
