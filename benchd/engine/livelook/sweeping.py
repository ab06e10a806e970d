"""The part of a live look that runs on the bench thread: from RF off to RF off.

The rig does what it does for each capture: RF off first, the sources on record before RF goes on,
the lid watched, RF off and verified afterwards, and a look of the analyzer whether that is true.
"""

from __future__ import annotations

import threading
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass, replace
from datetime import UTC, datetime
from functools import partial

from benchd.acquire import (
    Sweep,
    SweepInstruments,
    continuous_sweeps,
    silent_after_all,
    silent_before_zeroing,
)
from benchd.acquire.capture_check import broken_path, lowest_level_dbm, switch_opened
from benchd.acquire.plan import Procedure
from benchd.acquire.zeroing import zero_of
from benchd.bench import Bench
from benchd.engine.livelook.look import Look
from benchd.engine.rfwatch import ON
from benchd.engine.rig import Rig
from benchd.engine.small_procedures import left_open
from benchd.errors import NormalisationRefused, PathBroken
from benchd.reductions.live_picture import Frame, LivePicture
from benchd.worksheet import CaptureStep

GRACE_S = 0.5
"""How long a look that has ended may take to come to its end by itself, at its next point; then
whatever it waits for is broken off."""

WATCH_EVERY_S = 0.1


@dataclass(frozen=True, eq=False)
class Taken:
    """One sweep of a live look, with all that a capture of it needs.

    number: from 1. frame: as it is shown. broken: why the path seems to be broken; None if whole.
    """

    number: int
    taken_at: datetime
    sweep: Sweep
    frame: Frame
    instruments: dict[str, str]
    broken: PathBroken | None


def run_look(look: Look, bench: Bench, rig: Rig, took: Callable[[Taken], None]) -> None:
    """Sweep until the look ends. Called on the bench thread; RF is off and verified afterwards.

    took: gets each sweep. Raises what `Rig.measure` raises; Cancelled where the look had to be
    broken off.
    """
    step = look.plan.step
    names = list(dict.fromkeys((step.source, step.analyzer)))
    instruments = SweepInstruments(
        analyzer=rig.drivers[step.analyzer],
        source=rig.drivers[step.source] if step.source != step.analyzer else None,
        zero=zero_of(bench, step.analyzer),
    )
    lowest_dbm = lowest_level_dbm(bench, step)
    with _broken_off_when_overdue(look, rig):
        rig.rf_off()
        rig.switch(step.switching)
        rig.connect(names)
        _require_same_instruments(look, rig)
        taker = _Taker(look, bench, rig, took)
        procedure = continuous_sweeps(
            step.sweep,
            instruments,
            goes_on=look.goes_on,
            took=taker.take,
            checks=partial(_checks, step, rig),
        )
        if instruments.zero is not None:
            procedure = silent_before_zeroing(procedure, step.sweep, instruments, lowest_dbm)
        then = partial(silent_after_all, step.sweep, instruments, lowest_dbm=lowest_dbm)
        rig.measure(
            procedure,
            names,
            lambda progress: None,
            lid=step.lid,
            then=then,
            radiates=step.sweep.radiates,
        )


class _Taker:
    """Makes of each sweep what is shown and what may be kept."""

    def __init__(self, look: Look, bench: Bench, rig: Rig, took: Callable[[Taken], None]) -> None:
        plan = look.plan
        self._step, self._bench, self._took = plan.step, bench, took
        self._picture = LivePicture(plan.shown, [one.level for one in plan.baselines])
        switches = (one.instrument for one in self._step.switching)
        names = dict.fromkeys((self._step.source, self._step.analyzer, *switches))
        self._instruments = rig.identities(names)
        self._temperature = rig.temperature_c()
        self._before: Sweep | None = None
        self._number = 0

    def take(self, sweep: Sweep) -> None:
        """The next sweep."""
        self._number += 1
        broken = broken_path(self._bench, self._step, sweep, self._before)
        self._before = sweep
        frame = self._picture.frame(sweep.frequency_hz, sweep.level_dbm)
        sweep = replace(sweep, readings={**sweep.readings, **self._temperature})
        self._took(Taken(self._number, datetime.now(UTC), sweep, frame, self._instruments, broken))


def _checks(step: CaptureStep, rig: Rig) -> Procedure[None]:
    """What is asked after each sweep: whether the switches still stand, and the error queues.

    Raises PathBroken; `drivers.errors.Refused` for an entry of an error queue.
    """
    for setting in step.switching:
        missing = yield from left_open(rig.drivers[setting.instrument], list(setting.channels))
        if missing:
            raise switch_opened(step, setting.instrument, missing)
    for name in dict.fromkeys((step.source, step.analyzer)):
        yield from rig.drivers[name].expect_no_errors()


def _require_same_instruments(look: Look, rig: Rig) -> None:
    """Refuse baselines of other instruments than those that answer. Before RF goes on."""
    for baseline in look.plan.baselines:
        found = rig.identities(baseline.instruments)
        others = [
            f"{name}: the baseline was taken with {baseline.instruments[name]}, here is {now}"
            for name, now in found.items()
            if now != baseline.instruments[name]
        ]
        if others:
            raise NormalisationRefused(others, advice="Take the baselines again.")


@contextmanager
def _broken_off_when_overdue(look: Look, rig: Rig) -> Iterator[None]:
    """While this context is open, a thread of its own stops the rig once RF should have gone off
    and has not.

    An instrument that says nothing must not keep RF on, nor must an event loop that hangs. With RF
    off there is no hurry, and the check whether it is off must not be broken off.
    """
    over = threading.Event()

    def watch() -> None:
        while not over.wait(WATCH_EVERY_S):
            if look.overdue_s() > GRACE_S and rig.rf.now.state == ON:
                rig.stop.set()

    thread = threading.Thread(target=watch, name="live-look", daemon=True)
    thread.start()
    try:
        yield
    finally:
        over.set()
        thread.join()
