"""Sweep after sweep with RF on, for a person who adjusts an antenna and wants to see it change.

RF is switched on once and stays on between sweeps: whoever started this watches, and `goes_on` is
asked before every point. Everything that a single sweep checks is checked in each of these sweeps:
level and frequency are asked back, the highest point is read again, the error queues are read and
the switches are asked. The noise is read once, with RF off, before the first sweep.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace

import numpy as np

from benchd.acquire.plan import Procedure, Sweep, SweepInstruments, grid_hz
from benchd.acquire.radiation_check import silent_after
from benchd.acquire.readback import settings_read_back
from benchd.acquire.stepped import (
    made_ready,
    read_points,
    source_read_back,
    status_flags,
    status_query,
)
from benchd.acquire.tracking import tracked
from benchd.errors import InstrumentRefused
from benchd.sweeps import SweepPlan

CONTINUOUS_METHODS = ("stepped", "tracking")
"""Methods that can sweep again and again; a `hold` sweep collects maxima and cannot."""


def continuous_sweeps(
    plan: SweepPlan,
    instruments: SweepInstruments,
    *,
    goes_on: Callable[[], bool],
    took: Callable[[Sweep], None],
    checks: Callable[[], Procedure[None]],
) -> Procedure[Sweep | None]:
    """Sweep until `goes_on` says no.

    goes_on: called before every point of a stepped sweep, and before every tracking sweep.
    took: gets each whole sweep. It must be quick, since no sweep is taken meanwhile.
    checks: a procedure that is run at the end of each sweep, before `took`.
    Returns the last readings with RF on, for the check that RF is off: a whole sweep, or the part
    of one that was taken; None where nothing was read. RF is left on: the caller switches it off
    and verifies it, also after an error.
    """
    if plan.method not in CONTINUOUS_METHODS or plan.rf != "on":
        raise InstrumentRefused(
            f"a {plan.method} sweep with RF {plan.rf} cannot be repeated for a live look; these "
            f"can: {', '.join(CONTINUOUS_METHODS)}, with RF on"
        )
    procedure = _stepped if plan.method == "stepped" else _tracking
    if not goes_on():
        return None
    return (yield from procedure(plan, instruments, goes_on, took, checks))


def _stepped(
    plan: SweepPlan,
    instruments: SweepInstruments,
    goes_on: Callable[[], bool],
    took: Callable[[Sweep], None],
    checks: Callable[[], Procedure[None]],
) -> Procedure[Sweep | None]:
    source, analyzer = instruments.source, instruments.analyzer
    assert source is not None, "a stepped sweep needs a source; the worksheet guarantees one"
    grid = grid_hz(plan)
    noise_hz, noise_dbm, flags = yield from made_ready(grid, plan, instruments)
    if not goes_on():
        return None
    yield source.rf_on()
    last: Sweep | None = None
    while True:
        level, scatter = yield from read_points(
            grid, plan, source, analyzer, 0, grid.size, goes_on=goes_on, shown=False
        )
        sweep = Sweep(
            frequency_hz=grid[: level.size],
            level_dbm=level,
            scatter_db=scatter if plan.average > 1 else None,
            noise_hz=noise_hz,
            noise_dbm=noise_dbm,
        )
        if level.size < grid.size:
            return last if last is not None or level.size == 0 else sweep
        strongest = grid[[int(np.argmax(level))]]
        again, _ = yield from read_points(
            strongest, plan, source, analyzer, 0, grid.size, shown=False
        )
        status = yield status_query(analyzer)
        yield from source_read_back(source, plan, float(strongest[0]))
        yield from checks()
        last = replace(sweep, again_dbm=float(again[0]), flags=(*status_flags(status), *flags))
        took(last)


def _tracking(
    plan: SweepPlan,
    instruments: SweepInstruments,
    goes_on: Callable[[], bool],
    took: Callable[[Sweep], None],
    checks: Callable[[], Procedure[None]],
) -> Procedure[Sweep | None]:
    analyzer = instruments.analyzer
    flags, one = yield from tracked(plan, analyzer)
    _, noise_dbm = yield one
    if not goes_on():
        return None
    yield analyzer.tracking_on(plan.level_dbm)
    frequency_hz = np.linspace(plan.start_hz, plan.stop_hz, plan.points)
    last: Sweep | None = None
    while goes_on():
        _, level_dbm = yield one
        status = yield status_query(analyzer)
        yield from settings_read_back(analyzer.tracking_level_setting(plan.level_dbm))
        yield from checks()
        last = Sweep(
            frequency_hz=frequency_hz,
            level_dbm=np.asarray(level_dbm, dtype=np.float64),
            noise_hz=frequency_hz,
            noise_dbm=noise_dbm,
            flags=(*status_flags(status), *flags),
        )
        took(last)
    return last


def silent_after_all(
    plan: SweepPlan, instruments: SweepInstruments, last: Sweep | None, lowest_dbm: float
) -> Procedure[Sweep | None]:
    """Look once more, with RF off, whether the source is silent; see `silent_after`.

    last: what `continuous_sweeps` returned. Where nothing was read there is nothing to compare
    with, and the source's own answer must do.
    """
    if last is None:
        return None
    return (yield from silent_after(plan, instruments, last, lowest_dbm))


__all__ = ["CONTINUOUS_METHODS", "continuous_sweeps", "silent_after_all"]
