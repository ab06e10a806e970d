"""The tracking sweep: the analyzer's own source follows its tuning."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import numpy as np

from benchd.acquire.plan import Procedure, Sweep, SweepInstruments, power_mean_dbm
from benchd.acquire.readback import settings_read_back
from benchd.acquire.stepped import status_flags, status_query
from benchd.sweeps import SweepPlan
from drivers.exchange import Exchange, Progress, Taken


def sweep_time(plan: SweepPlan, analyzer: Any) -> Procedure[float]:
    """Duration of one sweep, s: as the analyzer reports it, else as the recipe states it."""
    if analyzer.has("sweep_time_query"):
        (told_s,) = yield (analyzer.sweep_time_query(),)
        return float(told_s)
    return plan.sweep_time_s or 0.0


def tracked(
    plan: SweepPlan, analyzer: Any
) -> Procedure[tuple[tuple[str, ...], tuple[Exchange, Exchange]]]:
    """Set the analyzer up, with its output off. Returns the flags of the readback, and the batch
    that takes one trace."""
    yield analyzer.prepare_sweep(
        start_hz=plan.start_hz,
        stop_hz=plan.stop_hz,
        points=plan.points,
        resolution_bandwidth_hz=plan.resolution_bandwidth_hz,
        video_bandwidth_hz=plan.video_bandwidth_hz,
        detector=plan.detector,
        sweep_time_s=plan.sweep_time_s,
        reference_level_dbm=plan.reference_level_dbm,
        attenuation_db=plan.attenuation_db,
        max_hold=False,
    )
    yield analyzer.tracking_level(plan.level_dbm)
    flags = yield from settings_read_back(analyzer.tracking_level_setting(plan.level_dbm))
    sweep_time_s = yield from sweep_time(plan, analyzer)
    sweep = analyzer.single_sweep(timeout_s=2.0 * sweep_time_s + 5.0)
    return flags, (sweep, analyzer.fetch_trace(plan.points))


def tracking_sweep(plan: SweepPlan, instruments: SweepInstruments) -> Procedure[Sweep]:
    """One swept trace with the tracking output off (noise), then `average` with it on."""
    analyzer = instruments.analyzer
    flags, one = yield from tracked(plan, analyzer)
    total = plan.average + 1
    _, noise_dbm = yield one
    yield Progress(1, total)
    yield analyzer.tracking_on(plan.level_dbm)
    frequency_hz = np.linspace(plan.start_hz, plan.stop_hz, plan.points)
    readings = np.empty((plan.average, plan.points))
    for repeat in range(plan.average):
        _, readings[repeat] = yield one
        so_far = power_mean_dbm(readings[: repeat + 1])
        yield Progress(repeat + 2, total, taken=Taken(frequency_hz, so_far, is_all=True))
    status = yield status_query(analyzer)
    yield from settings_read_back(analyzer.tracking_level_setting(plan.level_dbm))
    yield analyzer.tracking_off()
    finished = Sweep(
        frequency_hz=frequency_hz,
        level_dbm=power_mean_dbm(readings),
        scatter_db=np.std(readings, axis=0, ddof=1) if plan.average > 1 else None,
        noise_hz=frequency_hz,
        noise_dbm=noise_dbm,
    )
    return replace(finished, flags=(*status_flags(status), *flags))
