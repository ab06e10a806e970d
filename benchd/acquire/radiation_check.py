"""Measuring whether a source still radiates although it reports "RF off".

A reading with RF off alone tells little: it may be noise, or a transmitter outside. So it is
compared with the reading with RF on. If it did not drop, the source is tuned away and back, or its
level is lowered and raised, while its output is off. If the reading follows these commands, it
comes from the source, since neither noise nor another transmitter reacts to them.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Any, TypeVar

import numpy as np

from benchd.acquire.plan import Procedure, Sweep, SweepInstruments, power_mean_dbm
from benchd.acquire.stepped import prepare_points
from benchd.acquire.zeroing import NOT_ZEROED_ABOVE_DB, NotZeroed
from benchd.errors import StillRadiating
from benchd.reduce.pathcheck import noise_over
from benchd.sweeps import SweepPlan
from drivers.exchange import Batch

T = TypeVar("T")

DROP_DB = 20.0
"""If a reading falls by this when RF is switched off, dB, the source counts as off. Even a poor
source has a higher ratio of on to off (common practice, no source)."""

FOLLOWS_DB = 6.0
"""Smallest change of the reading, dB, that counts as a reaction to a command. Noise alone changes
that much once in a hundred times."""

TURNS = 5
"""How many times in a row the reading must follow the command, there and back."""

READINGS = 4
ABOVE_NOISE_DB = 30.0
"""Level above the noise at which a doubted source is checked again, dB: just enough to be seen."""


@dataclass(frozen=True, slots=True)
class Probe:
    """How to check once more whether a source radiates.

    plan, instruments: those of the sweep after which it was found to radiate.
    frequency_hz, level_dbm: the settings of the source for the check.
    seen_dbm: the analyzer's reading with these settings if the source radiates.
    drop_db: by how much the reading must have fallen for the source to count as off.
    lowest_dbm: the lowest level of the source.
    """

    plan: SweepPlan
    instruments: SweepInstruments
    frequency_hz: float
    level_dbm: float
    seen_dbm: float
    drop_db: float
    lowest_dbm: float


def silent_after(
    plan: SweepPlan, instruments: SweepInstruments, sweep: Sweep, lowest_dbm: float
) -> Procedure[Sweep]:
    """Read once more with RF off, at the frequency of the sweep's highest level.

    Returns the sweep with these readings. Call it after RF was switched off and verified by query.
    Sends nothing that radiates. lowest_dbm: the lowest level of the source.
    Raises StillRadiating, with a `Probe` as its `probe`.
    """
    seen = np.arange(sweep.level_dbm.size)
    if sweep.visited is not None and sweep.visited.any():
        seen = seen[sweep.visited]
    strongest = int(seen[np.argmax(sweep.level_dbm[seen])])
    frequency_hz, on_dbm = float(sweep.frequency_hz[strongest]), float(sweep.level_dbm[strongest])
    look = _Look(plan, instruments, frequency_hz)
    yield from look.prepare()
    off_dbm = yield from look.read(1)
    probe = _probe(plan, instruments, sweep, frequency_hz, on_dbm, lowest_dbm)
    if on_dbm - off_dbm < DROP_DB:
        off_dbm = yield from look.read(READINGS)
        how = yield from _follows(look, lowest_dbm)
        if how:
            raise _still(
                probe,
                f"with RF off the analyzer reads {off_dbm:.1f} dBm at {frequency_hz / 1e6:.6g} MHz "
                f"({on_dbm:.1f} dBm with RF on), and the reading follows the source's {how}",
            )
        if _only_the_source(plan, instruments, off_dbm, lowest_dbm):
            raise _still(
                probe,
                f"with RF off the meter reads {off_dbm:.1f} dBm ({on_dbm:.1f} dBm with RF on), "
                "and it read next to nothing before RF came on",
            )
    elif _radiated_before(sweep, off_dbm):
        assert sweep.noise_dbm is not None
        raise _still(
            probe,
            f"while it said that RF is off, before the sweep, the analyzer read up to "
            f"{float(np.max(sweep.noise_dbm)):.1f} dBm of it; now it reads {off_dbm:.1f} dBm",
        )
    return sweep.with_off_readings(tuple(look.readings))


def silent_before_zeroing(
    sweep: Procedure[T], plan: SweepPlan, instruments: SweepInstruments, lowest_dbm: float
) -> Procedure[T]:
    """Run a sweep. If its power meter cannot be zeroed, the source is taken to be still on.

    A source that ignores all commands does not change its level either, and a power meter responds
    to every frequency. So such a source cannot be told from another transmitter, and nothing is
    measured until the meter reads nothing. Sends nothing that radiates besides the sweep.
    Raises StillRadiating, with a `Probe` as its `probe`, instead of NotZeroed.
    """
    try:
        return (yield from sweep)
    except NotZeroed as refused:
        assert instruments.zero is not None
        look = _Look(plan, instruments, plan.start_hz)
        yield from look.prepare()
        # A known level, so that a later reading can be compared with this one.
        yield from look.set_level(plan.level_dbm)
        read_dbm = yield from look.read(READINGS)
        yield from look.set_level(lowest_dbm)
        read_dbm = max(read_dbm, instruments.zero.floor_dbm + NOT_ZEROED_ABOVE_DB)
        probe = _probe_at(
            plan, instruments, plan.start_hz, read_dbm, instruments.zero.floor_dbm, lowest_dbm
        )
        raise StillRadiating(
            f"may still radiate though it answers that RF is off: {instruments.analyzer.name} "
            f"{refused.message}",
            where=name_of(instruments),
            advice="Switch it off by hand, at its output or its mains, before anybody reaches into "
            "the box. If it is off, look for another transmitter nearby, and zero the meter by "
            "hand. Until the meter reads nothing, nothing is measured.",
            probe=probe,
        ) from refused


def quiet(probe: Probe) -> Procedure[None]:
    """Check a source again that was found to radiate. Raises StillRadiating if it still does.

    RF must have been switched off before. The source is tuned, and set to the lowest level that
    can be measured.
    """
    look = _Look(probe.plan, probe.instruments, probe.frequency_hz)
    yield from prepare_points(probe.plan, probe.instruments.analyzer)
    yield from look.set_level(probe.level_dbm)
    yield from look.tune(probe.frequency_hz)
    read_dbm = yield from look.read(READINGS)
    yield from look.set_level(probe.lowest_dbm)
    if read_dbm > probe.seen_dbm - probe.drop_db:
        raise _still(
            probe,
            f"the analyzer still reads {read_dbm:.1f} dBm at {probe.frequency_hz / 1e6:.6g} MHz",
        )


def name_of(instruments: SweepInstruments) -> str:
    """Name of the instrument that radiates: the source, or the analyzer with a tracking output."""
    radiating = instruments.source if instruments.source is not None else instruments.analyzer
    return str(radiating.name)


def _still(probe: Probe, what: str) -> StillRadiating:
    return StillRadiating(
        f"still radiates though it answers that RF is off: {what}",
        where=name_of(probe.instruments),
        advice="Switch it off by hand, at its output or its mains, before anybody reaches into "
        "the box. Until it is seen to be off, nothing is measured.",
        probe=probe,
    )


def _probe(
    plan: SweepPlan,
    instruments: SweepInstruments,
    sweep: Sweep,
    frequency_hz: float,
    on_dbm: float,
    lowest_dbm: float,
) -> Probe:
    noise_dbm = on_dbm if sweep.noise_dbm is None else float(np.median(sweep.noise_dbm))
    return _probe_at(plan, instruments, frequency_hz, on_dbm, noise_dbm, lowest_dbm)


def _probe_at(
    plan: SweepPlan,
    instruments: SweepInstruments,
    frequency_hz: float,
    on_dbm: float,
    noise_dbm: float,
    lowest_dbm: float,
) -> Probe:
    """The settings for checking again, from the reading at the plan's level and that of noise."""
    room_db = on_dbm - noise_dbm - ABOVE_NOISE_DB
    level_dbm = max(lowest_dbm, plan.level_dbm - max(0.0, room_db))
    seen_dbm = on_dbm - (plan.level_dbm - level_dbm)
    # If the noise is near, a fall of half the distance to it is enough. That noise may have been
    # read while the source radiated.
    drop_db = float(np.clip((seen_dbm - noise_dbm) / 2.0, FOLLOWS_DB / 2.0, DROP_DB / 2.0))
    return Probe(plan, instruments, frequency_hz, level_dbm, seen_dbm, drop_db, lowest_dbm)


def _only_the_source(
    plan: SweepPlan, instruments: SweepInstruments, off_dbm: float, lowest_dbm: float
) -> bool:
    """Whether a power meter's reading with RF off is taken to be the source's without a test.

    A power meter reads all frequencies alike, so tuning the source shows nothing. If its level
    cannot be lowered either, no test can tell the source from another transmitter. Before the
    sweep the meter was zeroed and read almost nothing, so the source is suspected.
    """
    if instruments.zero is None or _can_be_lowered(plan, lowest_dbm):
        return False
    return bool(off_dbm > instruments.zero.floor_dbm + NOT_ZEROED_ABOVE_DB)


def _can_be_lowered(plan: SweepPlan, lowest_dbm: float) -> bool:
    return plan.level_dbm - lowest_dbm >= 2.0 * FOLLOWS_DB


def _radiated_before(sweep: Sweep, off_dbm: float) -> bool:
    """Whether the noise reading before the sweep was really the source's signal.

    It was if at most of its frequencies it lies near the reading with RF on, and far above the
    reading with RF off now.
    """
    if sweep.noise_hz is None or sweep.noise_dbm is None or sweep.noise_hz.size > 9:
        return False
    on_dbm = np.interp(sweep.noise_hz, sweep.frequency_hz, sweep.level_dbm)
    high = (on_dbm - sweep.noise_dbm < DROP_DB / 2.0) & (sweep.noise_dbm - off_dbm > DROP_DB)
    floor = noise_over(sweep.noise_hz, sweep.noise_hz, sweep.noise_dbm)
    return bool(np.count_nonzero(high) > 0.5 * high.size and floor[0] - off_dbm > DROP_DB)


class _Look:
    """Single readings at one frequency, with the source tuned and set as the test requires."""

    def __init__(self, plan: SweepPlan, instruments: SweepInstruments, frequency_hz: float) -> None:
        self.plan = plan
        self.source, self.analyzer = instruments.source, instruments.analyzer
        self.zero = instruments.zero
        self.frequency_hz = frequency_hz
        self.readings: list[float] = []

    def prepare(self) -> Procedure[None]:
        if self.plan.method != "stepped":
            yield from prepare_points(self.plan, self.analyzer)
        yield from self.tune(self.frequency_hz)

    def tune(self, source_hz: float) -> Procedure[None]:
        """Tune the analyzer to the frequency of the test, and the source to `source_hz`."""
        tuning: Batch = (self.analyzer.set_centre_settled(self.frequency_hz),)
        if self.source is not None:
            # In one batch, so that both settle at the same time.
            tuning = (*tuning, self.source.set_frequency_settled(source_hz))
        yield tuning

    def set_level(self, level_dbm: float) -> Procedure[None]:
        driver: Any = self.source if self.source is not None else self.analyzer
        if self.source is None:
            yield driver.tracking_level(level_dbm)
        else:
            yield (driver.set_level(level_dbm),)
        if driver.has("finished"):
            # If it were read before the level has settled, a source that is on might seem off.
            yield (driver.finished(),)

    def read(self, times: int) -> Procedure[float]:
        """Mean power of some readings, dBm."""
        found = np.empty((times, 1))
        floor_dbm = self.zero.noise_dbm if self.zero is not None else -math.inf
        for index in range(times):
            (read_dbm,) = yield (self.analyzer.trigger_point(),)
            # Without a signal a power meter's readings may by chance be as small as any number.
            found[index, 0] = max(read_dbm, floor_dbm)
            self.readings.append(float(found[index, 0]))
        return float(power_mean_dbm(found)[0])


def _follows(look: _Look, lowest_dbm: float) -> Procedure[str]:
    """Which command the reading follows every time: "frequency", "level" or "" for none."""
    plan = look.plan
    ends = (plan.start_hz, plan.stop_hz)
    away_hz = max(ends, key=lambda end: abs(end - look.frequency_hz))
    if look.source is not None and abs(away_hz - look.frequency_hz) > (
        5.0 * plan.resolution_bandwidth_hz
    ):
        follows = yield from _turns(
            look, lambda here: look.tune(look.frequency_hz if here else away_hz)
        )
        yield from look.tune(look.frequency_hz)
        if follows:
            return "frequency"
    if not _can_be_lowered(plan, lowest_dbm):
        return ""
    follows = yield from _turns(
        look, lambda here: look.set_level(plan.level_dbm if here else lowest_dbm)
    )
    return "level" if follows else ""


def _turns(look: _Look, order: Any) -> Procedure[bool]:
    """Whether the reading is higher with the command than without it, in every turn.

    With a power meter it may instead be lower in every turn. If the meter was zeroed while the
    source radiated, its reading is the size of what is missing when the source is lowered.
    """
    changes_db = []
    for _ in range(TURNS):
        yield from order(True)
        here_dbm = yield from look.read(READINGS)
        yield from order(False)
        away_dbm = yield from look.read(READINGS)
        changes_db.append(here_dbm - away_dbm)
        higher = min(changes_db) >= FOLLOWS_DB
        lower = look.zero is not None and max(changes_db) <= -FOLLOWS_DB
        if not (higher or lower):
            return False
    return True
