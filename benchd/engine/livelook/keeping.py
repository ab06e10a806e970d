"""Keeping one sweep of a live look: a capture in a job of its own, with its results."""

from __future__ import annotations

from dataclasses import dataclass, replace

import structlog

from benchd.engine.current_bench import CurrentBench
from benchd.engine.livelook.plan import LivePlan
from benchd.engine.livelook.sweeping import Taken
from benchd.engine.reducing import Reducer
from benchd.errors import BenchdError
from benchd.results import ResultRecord
from benchd.store import JobRow, JobState, Store, StoreError
from benchd.store.ids import new_id
from benchd.sweeps import SweepAsRun
from benchd.traces import PATH_BROKEN, Capture, Role
from benchd.worksheet import ReduceStep

_log = structlog.get_logger(__name__)


@dataclass(frozen=True)
class Kept:
    """What was stored: the job, its capture, and the results if it could be reduced."""

    job: JobRow
    capture: Capture
    results: tuple[ResultRecord, ...] = ()


def stored(
    plan: LivePlan, taken: Taken, bench: CurrentBench, store: Store, trace_points: int = 0
) -> Kept:
    """Store a sweep as the capture of a job of its own. On the store's thread.

    Job and capture are stored in one transaction, so that there is never one without the other. If
    the daemon ends before `reduced` has run, the next start finds the job under way at its
    reduction, and reduces it then. Raises StoreError; then nothing is stored.
    """
    sheet, step = plan.worksheet, plan.step
    flags = taken.sweep.flags
    with store.atomic():
        bench.keep(sheet, store)
        job = store.add_job(sheet)
        capture = Capture(
            id=new_id("cap"),
            bench=sheet.bench,
            job_id=job.id,
            step=step.name,
            role=Role(step.role),
            route=step.route,
            position=step.position,
            antenna=step.antenna,
            traces=taken.sweep.traces(),
            settings=SweepAsRun.of(step.sweep, lid=step.lid),
            fixtures=dict(step.fixtures),
            instruments=dict(taken.instruments),
            taken_at=taken.taken_at,
            recipe_hash=sheet.recipe_hash,
            worksheet_hash=sheet.digest,
            flags=flags if taken.broken is None else (*flags, PATH_BROKEN),
            readings=dict(taken.sweep.readings),
        )
        job = store.set_state(job.id, JobState.RUNNING, message=step.label)
        store.commit_capture(capture, step_index_after=step.index + 1, trace_points=trace_points)
    return Kept(job, capture)


def reduced(plan: LivePlan, taken: Taken, kept: Kept, bench: CurrentBench, store: Store) -> Kept:
    """Reduce the stored capture and end its job, as a runner would. On the store's thread.

    A capture that cannot be reduced stays; its job then ends as failed and says why. Raises
    StoreError, after which it may be called again.
    """
    sheet, job_id = plan.worksheet, kept.capture.job_id
    records: list[ResultRecord] = []
    try:
        if taken.broken is not None:
            raise taken.broken
        reducer = Reducer(bench.of(sheet, store), store)
        for step in sheet.steps:
            if isinstance(step, ReduceStep):
                records += reducer.records(job_id, sheet, step)
                store.commit_results(
                    job_id, step.label, records, [], step_index_after=step.index + 1
                )
    except StoreError:
        raise
    except BenchdError as error:
        failed = store.set_state(
            job_id, JobState.FAILED, message=str(error), error=dict(error.as_dict())
        )
        return replace(kept, job=failed)
    except Exception as error:
        _log.exception("a fault in benchd kept a live look's sweep from being reduced", job=job_id)
        message = f"a fault in benchd: {type(error).__name__}: {error}"
        advice = "Its capture is kept. Please report it with the log."
        detail = {"family": "fault", "where": job_id, "message": message, "advice": advice}
        return replace(
            kept, job=store.set_state(job_id, JobState.FAILED, message=message, error=detail)
        )
    done = store.set_state(job_id, JobState.DONE, message="kept from a live look")
    return replace(kept, job=done, results=tuple(records))
