"""The hold sweep: the source free-runs over the band while the analyzer holds its maxima."""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from benchd.acquire.plan import Procedure, Sweep, SweepInstruments
from benchd.acquire.readback import settings_read_back
from benchd.acquire.stepped import status_flags, status_query
from benchd.sweeps import SweepPlan
from drivers.exchange import Pause, Progress

VISITED_MARGIN_DB = 10.0
"""A bin counts as visited by the source if its level is this far above the held noise, dB. Held
maxima of noise differ by some 3 dB between bins; a source in a bin is tens of dB above them."""

_SLICE_S = 0.1


def hold_sweep(plan: SweepPlan, instruments: SweepInstruments) -> Procedure[Sweep]:
    """Hold the maxima for `free_run_s` seconds, and find the bins that the source never visited.

    The held noise is read first, with RF off, for a tenth of that time, which is enough for the
    noise to show its maxima. RF is left on at the end: the caller switches it off.
    """
    source, analyzer = instruments.source, instruments.analyzer
    assert source is not None, "a hold sweep needs a source; the worksheet guarantees one"
    free_run_s = plan.free_run_s or 10.0
    prepare = {
        "start_hz": plan.start_hz,
        "stop_hz": plan.stop_hz,
        "points": plan.points,
        "resolution_bandwidth_hz": plan.resolution_bandwidth_hz,
        "video_bandwidth_hz": plan.video_bandwidth_hz,
        "detector": "peak",
        "sweep_time_s": plan.sweep_time_s,
        "reference_level_dbm": plan.reference_level_dbm,
        "attenuation_db": plan.attenuation_db,
        "max_hold": True,
    }
    # The source is tuned into the band even with RF off: if it radiates all the same, the noise
    # reading shows it.
    yield (source.set_level(plan.level_dbm),)
    middle_hz = float(np.round((plan.start_hz + plan.stop_hz) / 2.0))
    yield (source.set_frequency_settled(middle_hz),)
    flags = yield from settings_read_back(
        source.level_setting(plan.level_dbm), source.frequency_setting(middle_hz)
    )
    yield analyzer.prepare_sweep(**prepare)
    yield analyzer.continuous(True)
    yield from _wait(free_run_s / 10.0, 0.0, free_run_s * 1.1)
    yield analyzer.continuous(False)
    (noise_dbm,) = yield (analyzer.fetch_trace(plan.points),)

    yield source.free_run(
        start_hz=plan.start_hz, stop_hz=plan.stop_hz, points=plan.points, dwell_s=plan.dwell_s
    )
    yield source.rf_on()
    yield analyzer.prepare_sweep(**prepare)
    yield analyzer.continuous(True)
    yield from _wait(free_run_s, free_run_s / 10.0, free_run_s * 1.1)
    yield analyzer.continuous(False)
    level_dbm, *status = yield (analyzer.fetch_trace(plan.points), *status_query(analyzer))
    yield source.free_run_stop()
    yield from settings_read_back(source.level_setting(plan.level_dbm))

    frequency_hz = np.linspace(plan.start_hz, plan.stop_hz, plan.points)
    visited = level_dbm > noise_dbm + VISITED_MARGIN_DB
    flags = (*status_flags(status), *flags)
    if not visited.all():
        flags = (*flags, "bins-not-visited")
    sweep = Sweep(
        frequency_hz=frequency_hz,
        level_dbm=level_dbm,
        visited=visited,
        noise_hz=frequency_hz,
        noise_dbm=noise_dbm,
        readings={"bins_not_visited": float(np.count_nonzero(~visited))},
    )
    return replace(sweep, flags=flags)


def _wait(seconds: float, before_s: float, total_s: float) -> Procedure[None]:
    """Pause in short slices, and report the progress after each."""
    slices = max(1, round(seconds / _SLICE_S))
    for number in range(slices):
        yield Pause(seconds / slices)
        done = before_s + seconds * (number + 1) / slices
        yield Progress(int(1000 * done / total_s), 1000)
