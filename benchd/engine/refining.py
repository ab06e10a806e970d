"""What a sweep that refines must know before it begins: its baseline, and what is wanted of it.

The reduction that will use the capture tells both. It is asked on the store's thread, once, before
RF comes on.
"""

from __future__ import annotations

from collections.abc import Callable
from time import monotonic

from benchd.acquire.refining import Refining
from benchd.engine.stored_inputs import StoredInputs
from benchd.known.captures import JobCaptures
from benchd.known.full_reflection import full_reflection_dbm
from benchd.recipe.timing import point_time_s
from benchd.reductions.reflection_settings import Reflection
from benchd.worksheet import CaptureStep, ReduceStep, Worksheet


def refining_of(
    inputs: StoredInputs,
    job_id: str,
    worksheet: Worksheet,
    step: CaptureStep,
    clock: Callable[[], float] = monotonic,
) -> Refining | None:
    """What the sweep of a capture needs to choose its frequencies; None where it does not choose.

    Raises NormalisationRefused, ReductionRefused where no baseline fits.
    """
    settings = _reflection_of(worksheet, step)
    if step.sweep.refine_to is None or settings is None:
        return None
    captures = JobCaptures(inputs.store, job_id, step.label)
    baselines = captures.baselines(
        (one for one in settings.baselines() if not one.is_closing),
        inputs.planned(worksheet, step),
        max_age_s=settings.oldest_s,
        interpolate=False,
    )
    full_hz, full_dbm = full_reflection_dbm(baselines)
    bench = inputs.bench
    return Refining(
        full_hz=full_hz,
        full_dbm=full_dbm,
        edge_levels_db=tuple(settings.edge_levels_db.values()),
        near_hz=settings.design_frequency_hz if settings.dip == "nearest" else None,
        always_hz=settings.reported_hz,
        point_s=point_time_s(bench, bench.routes[step.route], step.sweep),
        clock=clock,
    )


def _reflection_of(worksheet: Worksheet, step: CaptureStep) -> Reflection | None:
    """The settings of the first reduction that the capture is taken for."""
    for one in worksheet.steps:
        settings = one.settings if isinstance(one, ReduceStep) else None
        if isinstance(settings, Reflection) and settings.test == step.name:
            return settings
    return None
