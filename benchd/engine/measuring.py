"""What the bench thread does for one capture: switch the path, sweep, and prove that RF is off."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from functools import partial

from benchd.acquire import (
    Sweep,
    SweepInstruments,
    run_sweep,
    silent_after,
    silent_before_zeroing,
)
from benchd.acquire.capture_check import lowest_level_dbm, switch_opened
from benchd.acquire.refining import Refining
from benchd.acquire.zeroing import zero_of
from benchd.bench import Bench
from benchd.engine.rig import Rig
from benchd.engine.underway import SweepNews
from benchd.errors import PathBroken
from benchd.worksheet import CaptureStep


def measuring(
    rig: Rig, bench: Bench, step: CaptureStep, news: SweepNews, refining: Refining | None
) -> Callable[[], tuple[Sweep, PathBroken | None]]:
    """Work for the bench thread, which may be repeated from its beginning.

    It returns the sweep, and what says so if a switch was found open afterwards.
    news: is told how far the sweep is. refining: what chooses its frequencies, if something does.
    """
    instruments = SweepInstruments(
        analyzer=rig.drivers[step.analyzer],
        source=rig.drivers[step.source] if step.source != step.analyzer else None,
        zero=zero_of(bench, step.analyzer),
    )
    names = list(dict.fromkeys((step.source, step.analyzer)))
    lowest_dbm = lowest_level_dbm(bench, step)

    def work() -> tuple[Sweep, PathBroken | None]:
        rig.set_path(step.switching)
        procedure = run_sweep(step.sweep, instruments, refining)
        # With RF off nothing leaves the box, so the lid may be open or closed.
        lid = step.lid if step.sweep.rf == "on" else None
        temperature = rig.temperature_c()
        then = None
        if instruments.zero is not None:
            procedure = silent_before_zeroing(procedure, step.sweep, instruments, lowest_dbm)
        if step.sweep.rf == "on":
            then = partial(silent_after, step.sweep, instruments, lowest_dbm=lowest_dbm)
        news.begin()
        sweep = rig.measure(
            procedure, names, news, lid=lid, then=then, radiates=step.sweep.radiates
        )
        for name, channels in rig.opened(step.switching).items():
            return sweep, switch_opened(step, name, channels)
        return replace(sweep, readings={**sweep.readings, **temperature}), None

    return work
