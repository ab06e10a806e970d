"""The list sweep: source and analyzer step through a list of frequencies by trigger.

Nobody talks to the instruments while a list runs. So a missed trigger is found afterwards: by what
each of them says of its own list, by a second pass the other way where one cable alone leads, and
by points that are read again by command. What went wrong once is never taken for a trace: the sweep
is repeated by command or refused, as the recipe says.

How the two are wired (`ListSteps.wiring`):

- `hand-in-hand`: the analyzer's pulse says "ready", the source's pulse says "settled". Neither goes
  on before the other is ready, so a lost pulse stops both where it was lost.
- `source-leads`: the source goes on by its own clock, the analyzer reads at each of its pulses.
- `analyzer-leads`: the analyzer goes on by its own clock, its pulses move the source.
- `source-by-command`, `analyzer-by-command`: only that one has a list, which a command moves on.
"""

from __future__ import annotations

import math
from typing import Any

import numpy as np

from benchd.acquire.list_check import (
    CLEAR_DB,
    ListEnd,
    TriggerMissed,
    first_difference,
    missed_in,
    telling_points,
)
from benchd.acquire.plan import Procedure, Sweep, SweepInstruments, grid_hz, power_mean_dbm
from benchd.acquire.readback import settings_read_back
from benchd.acquire.stepped import (
    made_ready,
    merged,
    prepare_points,
    read_points,
    refined_grid_hz,
    source_read_back,
    status_flags,
    status_query,
)
from benchd.errors import InstrumentRefused
from benchd.reduce.pathcheck import noise_over
from benchd.sweeps import LONGEST_LIST_S, MOST_LIST_BYTES, Refine, SweepPlan
from benchd.traces import FloatArray
from benchd.units import show
from drivers.errors import BadReply
from drivers.exchange import Exchange, Pause, Progress, Taken

TRIGGER_MISSED = "trigger-missed"
"""Flag of a capture in which a trigger was missed, so that it was stepped by command instead."""

MISSED_AT = "trigger_missed_at_hz"
"""Reading of such a capture: the frequency at which it was missed, where that could be known."""

_POLL_S = 0.01
_MOST_DELAYS = 20
_PATIENCE_S = 0.3
"""How much longer than its points a list may take before it counts as stuck, s; see `_ended`."""

Points = tuple[FloatArray, FloatArray, FloatArray]
"""Frequencies in Hz, levels in dBm and scatter in dB, of shape (n,) each."""


def list_sweep(plan: SweepPlan, instruments: SweepInstruments) -> Procedure[Sweep]:
    """Read the level at every frequency of the grid, by lists; refine as a stepped sweep does.

    Everything is set, loaded and asked back before RF comes on. RF is left on: the caller switches
    it off and verifies it, also after an error.
    Raises TriggerMissed where a trigger was missed and the plan wants no stepping by command.
    """
    source, analyzer = instruments.source, instruments.analyzer
    assert source is not None, "a stepped sweep needs a source; the worksheet guarantees one"
    grid = grid_hz(plan)
    noise_hz, noise_dbm, flags = yield from made_ready(grid, plan, instruments)
    reader = _Reader(plan, source, analyzer, noise_hz, noise_dbm)
    yield from reader.set_up(grid)
    # Asked once more: leaving the fixed frequency must not have moved the level.
    yield from settings_read_back(source.level_setting(plan.level_dbm))
    yield source.rf_on()
    readings: dict[str, float] = {}
    remarks: tuple[str, ...] = ()
    try:
        grid, level, scatter = yield from _refined(plan, grid, reader.read)
        yield from reader.leave()
        again_dbm = yield from reader.read_again(grid, level)
    except TriggerMissed as missed:
        if reader.steps.if_missed == "fail":
            raise
        yield from reader.leave()
        yield from settings_read_back(source.level_setting(plan.level_dbm))
        yield reader.begin_again()
        grid, level, scatter = yield from _refined(plan, grid_hz(plan), reader.read_by_command)
        strongest = grid[[int(np.argmax(level))]]
        again, _ = yield from read_points(strongest, plan, source, analyzer, 0, 1, shown=False)
        again_dbm = float(again[0])
        flags = (*flags, TRIGGER_MISSED)
        remarks = (f"{missed.where} {missed.message}; stepped by command instead",)
        if missed.frequency_hz is not None:
            readings[MISSED_AT] = missed.frequency_hz
    status = yield status_query(analyzer)
    yield from source_read_back(source, plan, float(grid[int(np.argmax(level))]))
    yield Progress(reader.total, reader.total)
    return Sweep(
        frequency_hz=grid,
        level_dbm=level,
        scatter_db=scatter if plan.average > 1 else None,
        noise_hz=noise_hz,
        noise_dbm=noise_dbm,
        again_dbm=again_dbm,
        flags=(*status_flags(status), *flags),
        readings=readings,
        remarks=remarks,
    )


def _refined(plan: SweepPlan, grid: FloatArray, read: Any) -> Procedure[Points]:
    """Read the grid, and the finer one around what it shows, if the plan says so."""
    level, scatter = yield from read(grid)
    if not isinstance(plan.refine, Refine):
        return grid, level, scatter
    fine = refined_grid_hz(grid, level, plan.refine.span_hz, plan.refine.points)
    fine_level, fine_scatter = yield from read(fine)
    merged_points: Points = merged(grid, level, scatter, fine, fine_level, fine_scatter)
    return merged_points


class _Reader:
    """Reads points by lists. done: points read so far; total: points that it will read."""

    def __init__(
        self,
        plan: SweepPlan,
        source: Any,
        analyzer: Any,
        noise_hz: FloatArray,
        noise_dbm: FloatArray,
    ) -> None:
        assert plan.lists is not None, "chosen by `run_sweep`"
        self.plan, self.steps = plan, plan.lists
        self.source, self.analyzer = source, analyzer
        self._noise = noise_hz, noise_dbm
        self.total = plan.most_points
        self.done = 0
        self._loaded: tuple[float, ...] = ()
        wiring = self.steps.wiring
        self._listing = tuple(
            one
            for one, other in ((analyzer, "source"), (source, "analyzer"))
            if wiring != f"{other}-by-command"
        )

    # -- lists as such ---------------------------------------------------------------------------

    def set_up(self, grid: FloatArray) -> Procedure[None]:
        """Leave the fixed frequency for lists, and load the first one."""
        steps, dwell_s = self.steps, self.plan.dwell_s
        stay_s = steps.point_s(dwell_s)
        wait_s = steps.source_settle_s + steps.late_s
        how: dict[str, tuple[Any, ...]] = {
            "hand-in-hand": ((stay_s, "cable", 0.0), (dwell_s, "cable", 0.0)),
            "source-leads": ((stay_s, "itself", 0.0), (dwell_s, "cable", 0.0)),
            "analyzer-leads": ((stay_s, "cable", 0.0), (dwell_s, "itself", wait_s)),
            "source-by-command": ((stay_s, "command", 0.0), None),
            "analyzer-by-command": (None, (dwell_s, "command", 0.0)),
        }
        of_source, of_analyzer = how[steps.wiring]
        if of_source is not None:
            yield self.source.list_set(*of_source)
        if of_analyzer is not None:
            yield self.analyzer.list_set(*of_analyzer)
        yield from self._load(self._parts(grid)[0])

    def leave(self) -> Procedure[None]:
        """End all lists, and read single points again."""
        for one in self._listing:
            yield one.list_leave()
        yield from prepare_points(self.plan, self.analyzer)

    def begin_again(self) -> Progress:
        """Forget what was read, and have whoever looks on forget it."""
        self.done = 0
        return Progress(0, self.total, taken=Taken((), (), is_all=True))

    def _parts(self, grid: FloatArray) -> list[FloatArray]:
        """The grid in lists that every instrument can hold and that do not last too long."""
        longest = max(len(f"{frequency_hz:.12g},") for frequency_hz in grid.tolist())
        most = min(
            self.steps.points,
            MOST_LIST_BYTES // longest,
            max(1, int(LONGEST_LIST_S / self.steps.point_s(self.plan.dwell_s))),
        )
        return np.array_split(grid, -(-grid.size // most))

    def _load(self, frequencies_hz: FloatArray) -> Procedure[None]:
        wanted = tuple(frequencies_hz.tolist())
        if wanted == self._loaded:
            return
        batch: list[Exchange] = []
        for one in self._listing:
            batch.append(one.list_load(wanted))
            if one.has("list_points_query"):
                batch.append(one.list_points())
        replies = yield tuple(batch)
        for exchange, found in zip(batch, replies, strict=True):
            if found is not None and found != len(wanted):
                raise InstrumentRefused(
                    f"took {found} points of a list of {len(wanted)}",
                    where=f"{exchange.instrument}, {exchange.message}",
                    advice="State under `list:` of the bench file how many points it can hold.",
                )
        self._loaded = wanted

    # -- reading ---------------------------------------------------------------------------------

    def read(self, grid: FloatArray) -> Procedure[tuple[FloatArray, FloatArray]]:
        """Level and scatter over the grid, by lists. Raises TriggerMissed."""
        if not self.steps.by_trigger:
            return (yield from self._by_one_list(grid))
        passes = self.steps.passes(self.plan.average)
        readings = np.empty((passes, grid.size))
        for number in range(passes):
            back = number % 2 == 1
            parts = self._parts(grid)
            at = 0
            for part in parts[::-1] if back else parts:
                frequencies_hz = part[::-1] if back else part
                level = yield from self._one_list(frequencies_hz)
                here = slice(at, at + part.size)
                at += part.size
                readings[number][:: -1 if back else 1][here] = level
                if number == 0:
                    self.done += part.size
                    taken = Taken(frequencies_hz, level) if passes == 1 else None
                    yield Progress(min(self.done, self.total), self.total, taken=taken)
        if passes == 1:
            return readings[0], np.zeros(grid.size)
        # Nobody is shown points before two passes have agreed on them.
        self._compare_passes(grid, readings)
        mean = power_mean_dbm(readings)
        yield Progress(min(self.done, self.total), self.total, taken=Taken(grid, mean))
        if self.plan.average == 1:
            return mean, np.zeros(grid.size)
        return mean, np.std(readings, axis=0, ddof=1)

    def _compare_passes(self, grid: FloatArray, readings: FloatArray) -> None:
        noise_dbm = noise_over(grid, *self._noise)
        for other in readings[1:]:
            index = first_difference(readings[0], other, noise_dbm, self.plan)
            if index is None:
                continue
            at_hz = float(grid[index])
            moved = {"source-leads": self.analyzer, "analyzer-leads": self.source}
            raise TriggerMissed(
                f"missed a trigger, or came late, at {show(at_hz, 'Hz')}: two passes read "
                f"{readings[0][index]:.1f} and {other[index]:.1f} dBm there",
                where=moved.get(self.steps.wiring, self.analyzer).name,
                frequency_hz=at_hz,
            )

    def _one_list(self, frequencies_hz: FloatArray) -> Procedure[FloatArray]:
        """The readings of one list, shape (n,), dBm. Raises TriggerMissed."""
        yield from self._load(frequencies_hz)
        source_leads = self.steps.wiring == "source-leads"
        leader, follower = (
            (self.source, self.analyzer) if source_leads else (self.analyzer, self.source)
        )
        # Its answer shows that it waits for triggers, before the first one can come.
        *_, is_armed = yield (*follower.list_start(), follower.list_running())
        if not is_armed:
            raise TriggerMissed(
                "says that no list runs right after it was started", where=follower.name
            )
        yield leader.list_start()
        yield from self._ended(frequencies_hz)
        return (yield from self._fetched(frequencies_hz.size))

    def _fetched(self, points: int) -> Procedure[FloatArray]:
        """The readings of a list that has ended, shape (points,), dBm. Raises TriggerMissed."""
        try:
            (level,) = yield (self.analyzer.list_fetch(points),)
        except BadReply as error:
            raise TriggerMissed(
                f"missed a trigger: {error.message}; at which point cannot be known",
                where=self.analyzer.name,
            ) from error
        return np.asarray(level, dtype=np.float64)

    def _ended(self, frequencies_hz: FloatArray) -> Procedure[None]:
        """Wait for the end of both lists. Nobody is asked before it is due.

        A list counts as stuck if for half its time and 0.3 s more no further point was done.
        """
        due_s = frequencies_hz.size * self.steps.point_s(self.plan.dwell_s)
        yield Pause(due_s)
        stood: list[ListEnd] = []
        for _ in range(_MOST_DELAYS):
            for _ in range(math.ceil((0.5 * due_s + _PATIENCE_S) / _POLL_S)):
                runs = yield (self.source.list_running(), self.analyzer.list_running())
                if not any(runs):
                    return
                yield Pause(_POLL_S)
            stands = []
            for one, still in zip((self.source, self.analyzer), runs, strict=True):
                stands.append((yield from self._stands(one, still)))
            if stands == stood or None in (stands[0].place, stands[1].place):
                break
            stood = stands
        raise missed_in(frequencies_hz, self.steps.wiring, *stands)

    def _stands(self, one: Any, runs: bool) -> Procedure[ListEnd]:
        """How far a list is; asked where it should have ended."""
        place = None
        if one.has("list_place_query"):
            (place,) = yield (one.list_place(),)
        return ListEnd(one.name, runs, place)

    def _by_one_list(self, grid: FloatArray) -> Procedure[tuple[FloatArray, FloatArray]]:
        """Only one of the two has a list: a command moves it on, the other is tuned by command."""
        readings = np.empty((self.plan.average, grid.size))
        at = 0
        for part in self._parts(grid):
            for repeat in range(self.plan.average):
                if self.analyzer in self._listing:
                    level = yield from self._analyzer_listed(part)
                    readings[repeat, at : at + part.size] = level
                elif repeat == 0:
                    readings[:, at : at + part.size] = yield from self._source_listed(part)
            here = slice(at, at + part.size)
            at += part.size
            self.done += part.size
            taken = Taken(part, power_mean_dbm(readings[:, here]))
            yield Progress(min(self.done, self.total), self.total, taken=taken)
        if self.plan.average == 1:
            return readings[0], np.zeros(grid.size)
        return power_mean_dbm(readings), np.std(readings, axis=0, ddof=1)

    def _analyzer_listed(self, part: FloatArray) -> Procedure[FloatArray]:
        yield from self._load(part)
        yield self.analyzer.list_start()
        for frequency_hz in part.tolist():
            yield (self.source.set_frequency_settled(frequency_hz),)
            yield (self.analyzer.list_next(self.plan.dwell_s + 5.0),)
        yield from self._through(part, self.analyzer)
        return (yield from self._fetched(part.size))

    def _source_listed(self, part: FloatArray) -> Procedure[FloatArray]:
        """Readings of shape (average, n)."""
        yield from self._load(part)
        yield self.source.list_start()
        trigger = (self.analyzer.trigger_point(),)
        readings = np.empty((self.plan.average, part.size))
        for index, frequency_hz in enumerate(part.tolist()):
            yield (self.analyzer.set_centre(frequency_hz), self.source.list_next(5.0))
            for repeat in range(self.plan.average):
                (readings[repeat, index],) = yield trigger
        yield from self._through(part, self.source)
        return readings

    def _through(self, part: FloatArray, one: Any) -> Procedure[None]:
        """Raise TriggerMissed if a list that commands moved on is not at its end."""
        (runs,) = yield (one.list_running(),)
        if runs:
            stand = yield from self._stands(one, runs)
            stands = "" if stand.place is None else f" after {stand.place} of {part.size} points"
            raise TriggerMissed(
                f"missed a trigger: it still waits{stands}; at which point cannot be known",
                where=one.name,
            )

    # -- by command ------------------------------------------------------------------------------

    def read_by_command(self, grid: FloatArray) -> Procedure[tuple[FloatArray, FloatArray]]:
        """Level and scatter over the grid, as a stepped sweep reads them."""
        read = yield from read_points(
            grid, self.plan, self.source, self.analyzer, self.done, self.total
        )
        self.done += grid.size
        return read

    def read_again(self, grid: FloatArray, level_dbm: FloatArray) -> Procedure[float]:
        """Read some points by command, which must agree with the lists. Raises TriggerMissed.

        Returns the level of the highest point, dBm.
        """
        chosen = telling_points(level_dbm)
        at_hz, listed = grid[chosen], level_dbm[chosen]
        again, _ = yield from read_points(
            at_hz, self.plan, self.source, self.analyzer, self.total, self.total, shown=False
        )
        noise_dbm = noise_over(at_hz, *self._noise)
        index = first_difference(listed, again, noise_dbm, self.plan)
        # Where nothing is left of any point, the path broke: the capture's own check says so.
        if index is not None and bool(np.any(again > noise_dbm + CLEAR_DB)):
            raise TriggerMissed(
                f"missed a trigger: the list has {listed[index]:.1f} dBm at "
                f"{show(float(at_hz[index]), 'Hz')}, a reading by command {again[index]:.1f} dBm; "
                "where it was missed cannot be known",
                where=f"{self.source.name} or {self.analyzer.name}",
            )
        return float(again[-1])
