"""Listening: a sweep with RF off, to find signals that enter the box from outside.

Nothing is sent to the source. The caller has verified that RF is off, and verifies it again
afterwards.
"""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import numpy as np

from benchd.acquire.plan import Procedure, Sweep, SweepInstruments, grid_hz, power_mean_dbm
from benchd.acquire.stepped import prepare_points, status_flags, status_query
from benchd.acquire.tracking import sweep_time
from benchd.sweeps import SweepPlan
from benchd.traces import FloatArray
from drivers.exchange import Pause, Progress, Taken

_SLICE_S = 0.1


def listening_sweep(plan: SweepPlan, instruments: SweepInstruments) -> Procedure[Sweep]:
    """Sweep the plan's band with RF off.

    `stepped` reads the points one after the other, `tracking` averages whole traces, and `hold`
    holds the maxima for `free_run_s`, which also catches short transmissions.
    """
    analyzer = instruments.analyzer
    if plan.method == "stepped":
        frequency_hz = grid_hz(plan)
        level_dbm = yield from _points(plan, analyzer, frequency_hz)
    else:
        frequency_hz = np.linspace(plan.start_hz, plan.stop_hz, plan.points)
        traces = _held if plan.method == "hold" else _averaged
        level_dbm = yield from traces(plan, analyzer)
    status = yield status_query(analyzer)
    return replace(Sweep(frequency_hz, level_dbm), flags=status_flags(status))


def _points(plan: SweepPlan, analyzer: Any, grid: FloatArray) -> Procedure[FloatArray]:
    yield from prepare_points(plan, analyzer)
    readings = np.empty((plan.average, grid.size))
    for index, frequency_hz in enumerate(grid.tolist()):
        yield (analyzer.set_centre_settled(frequency_hz),)
        for repeat in range(plan.average):
            (readings[repeat, index],) = yield (analyzer.trigger_point(),)
        here = slice(index, index + 1)
        taken = Taken(grid[here], power_mean_dbm(readings[:, here]))
        yield Progress(index + 1, grid.size, taken=taken)
    return power_mean_dbm(readings)


def _prepared(plan: SweepPlan, analyzer: Any, *, max_hold: bool) -> Any:
    return analyzer.prepare_sweep(
        start_hz=plan.start_hz,
        stop_hz=plan.stop_hz,
        points=plan.points,
        resolution_bandwidth_hz=plan.resolution_bandwidth_hz,
        video_bandwidth_hz=plan.video_bandwidth_hz,
        detector="peak" if max_hold else plan.detector,
        sweep_time_s=plan.sweep_time_s,
        reference_level_dbm=plan.reference_level_dbm,
        attenuation_db=plan.attenuation_db,
        max_hold=max_hold,
    )


def _held(plan: SweepPlan, analyzer: Any) -> Procedure[FloatArray]:
    yield _prepared(plan, analyzer, max_hold=True)
    yield analyzer.continuous(True)
    slices = max(1, round((plan.free_run_s or 0.0) / _SLICE_S))
    for number in range(slices):
        yield Pause((plan.free_run_s or 0.0) / slices)
        yield Progress(number + 1, slices)
    yield analyzer.continuous(False)
    (level_dbm,) = yield (analyzer.fetch_trace(plan.points),)
    return np.asarray(level_dbm)


def _averaged(plan: SweepPlan, analyzer: Any) -> Procedure[FloatArray]:
    yield _prepared(plan, analyzer, max_hold=False)
    sweep_time_s = yield from sweep_time(plan, analyzer)
    frequency_hz = np.linspace(plan.start_hz, plan.stop_hz, plan.points)
    readings = np.empty((plan.average, plan.points))
    for repeat in range(plan.average):
        _, readings[repeat] = yield (
            analyzer.single_sweep(timeout_s=2.0 * sweep_time_s + 5.0),
            analyzer.fetch_trace(plan.points),
        )
        so_far = power_mean_dbm(readings[: repeat + 1])
        yield Progress(repeat + 1, plan.average, taken=Taken(frequency_hz, so_far, is_all=True))
    return power_mean_dbm(readings)
