"""The spectrum analyzer: sweeps that take time, traces, max hold, overload, tracking output."""

from __future__ import annotations

from collections import deque
from collections.abc import Mapping
from typing import Any

import numpy as np
from numpy.typing import NDArray

from simulators.instruments.analyzer_settings import (
    MIXER_COMPRESSION_DBM,
    MIXER_OVERLOAD_DBM,
    analyzer_settings,
)
from simulators.instruments.base import Action, Instrument
from simulators.instruments.clock import SimulatedClock
from simulators.instruments.dialect import Dialect
from simulators.instruments.emission import SILENCE_DBM, Feed
from simulators.instruments.list_commands import list_actions, list_state
from simulators.instruments.list_readings import ListReadings
from simulators.instruments.lists import AnalyzerStepper, TriggerBus
from simulators.instruments.receiver import Sweep, SweepPlan
from simulators.instruments.settings import NumberSetting, Setting
from simulators.radiation_record import RF
from simulators.scpi import Choice, Number, ScpiError, Wait, encode_values
from simulators.scpi.commands import Reply
from simulators.scpi.status import (
    OPERATION_SWEEPING,
    QUESTIONABLE_CALIBRATION,
    QUESTIONABLE_POWER,
)
from simulators.world import AnalyzerModel, InstrumentModel

FloatArray = NDArray[np.float64]

FROZEN_DBM = -31.25
"""What an analyzer that hangs shows at every point, sweep after sweep."""

# More sweeps than this are not made up for after the clock has jumped: the trace is full by then.
_MOST_SWEEPS_AT_ONCE = 2000


class Analyzer(Instrument):
    """An analyzer whose sweep is an overlapped operation: `*OPC?` and `*WAI` wait for its end."""

    kind = "analyzer"

    def __init__(
        self,
        model: InstrumentModel,
        clock: SimulatedClock,
        dialect: Dialect,
        feed: Feed,
        receiver: AnalyzerModel,
        bus: TriggerBus,
    ) -> None:
        self._feed = feed
        self._list = AnalyzerStepper(model.name, bus, lambda: self.status)
        self._list.settle_s = model.settle_s
        self._listed: ListReadings | None = None
        self._receiver = receiver
        self._sweep: Sweep | None = None
        self._trace_dbm: FloatArray | None = None
        self._plan: SweepPlan | None = None
        self._bits = 0
        self.sweeps = 0
        self.overloads = 0
        self.damage = 0
        self.highest_input_dbm = SILENCE_DBM
        self.rf_history: deque[tuple[float, bool]] = deque(maxlen=20000)
        self._arriving_dbm = SILENCE_DBM
        self._reporting = False
        self.frozen = False
        super().__init__(model, clock, dialect)
        self.rf_history.append((clock.now_s(), False))
        feed.listeners.append(self._input_changed)
        feed.readers.append(self.prepare)

    def default_settings(self) -> Mapping[str, Setting]:
        """Limits come from the world file."""
        return analyzer_settings(self.model.limits)

    def actions(self) -> Mapping[str, Action]:
        """Sweep control, trace reading and the two-parameter format command."""
        kinds = Choice({"ASCii": "ascii", "REAL": "real"})
        return {
            "initiate": Action(self._initiate),
            "initiate and report": Action(self._initiate_and_report),
            "abort": Action(self._abort),
            "read trace": Action(self._read_trace, (Choice({"TRACE1": "1", "1": "1"}),), 0),
            "set format": Action(self._set_format, (kinds, Number()), 1),
            "format": Action(self._format),
        } | list_actions(self._list, self.model, self.clock, self.dialect)

    # -- settings ---------------------------------------------------------------------------

    def changed(self, name: str) -> None:
        """Keep coupled settings together; whatever changes the trace makes the old one stale."""
        if name in ("centre", "span", "start", "stop"):
            self._couple_frequencies(name)
            self.settle(self.model.settle_s)
        if name in ("rbw", "vbw") and self.dialect.rbw_steps:
            self.values[name] = _stepped(self.number(name), self.dialect.rbw_steps)
        if name == "sweep time":
            self.values["sweep time auto"] = False
        if name in ("frequency mode", "trigger source", "trigger delay", "list dwell"):
            self._set_list(name)
        if name in ("tracking", "tracking level", "centre", "span", "start", "stop"):
            self._note_tracking()
        if name == "attenuation":
            self._check_input()
        if name == "continuous":
            self._set_continuous()
        elif name not in ("border", "reference level"):
            self._plan = None
            self._trace_dbm = None
            if self._sweep is not None:
                self._restart()

    def rest(self) -> None:
        """No sweep, no list, no trace, tracking output off."""
        self._list.stop()
        self._listed = None
        self._sweep = self._trace_dbm = self._plan = None
        self._bits = 0
        self._note_tracking()

    @property
    def _range_hz(self) -> tuple[float, float]:
        limits = self.settings["start"]
        assert isinstance(limits, NumberSetting)
        return limits.minimum, limits.maximum

    def _couple_frequencies(self, name: str) -> None:
        low, high = self._range_hz
        values = self.values
        if name in ("centre", "span"):
            centre, span = self.number("centre"), self.number("span")
            if name == "span" and span / 2 > min(centre - low, high - centre):
                raise ScpiError(-222, f"a span of {span:.9g} HZ does not fit around {centre:.9g}")
            # Moving the centre narrows the span where it would leave the range.
            span = min(span, 2 * (centre - low), 2 * (high - centre))
            values |= {"start": centre - span / 2, "stop": centre + span / 2, "span": span}
        else:
            start, stop = self.number("start"), self.number("stop")
            if start > stop:
                start = stop = self.number(name)
            values |= {"start": start, "stop": stop}
            values |= {"centre": (start + stop) / 2, "span": stop - start}

    def _sweep_time_s(self) -> float:
        """Set, or coupled: k span / RBW^2, and long enough for every point."""
        if not self.values["sweep time auto"]:
            return self.number("sweep time")
        factor = self._feed.world.model.analyzer.sweep_factor
        swept_s = factor * self.number("span") / self.number("rbw") ** 2
        return max(1e-3, swept_s, 1e-6 * int(self.values["points"]))

    def _current_plan(self) -> SweepPlan:
        if self._plan is None:
            self.values["sweep time"] = sweep_time_s = self._sweep_time_s()
            start, stop = self.number("start"), self.number("stop")
            points = int(self.values["points"])
            bins = (
                np.linspace(start, stop, points) if points > 1 else np.array([(start + stop) / 2])
            )
            tracking = self.number("tracking level") if self.values["tracking"] else None
            self._plan = SweepPlan(
                bins_hz=bins,
                sweep_time_s=sweep_time_s,
                rbw_hz=self.number("rbw"),
                detector=str(self.values["detector"]),
                smoothing=max(1, int(self.number("rbw") / self.number("vbw"))),
                attenuation_db=self.number("attenuation"),
                mixer_limit_dbm=MIXER_COMPRESSION_DBM + self.number("attenuation"),
                tracking_dbm=tracking,
            )
            factor = self._feed.world.model.analyzer.sweep_factor
            needed_s = factor * (stop - start) / self.number("rbw") ** 2
            # A tolerance of 0.1 %, so that the coupled time itself never counts as too fast.
            self._condition(QUESTIONABLE_CALIBRATION, sweep_time_s * 1.001 < needed_s)
        return self._plan

    def _condition(self, bit: int, on: bool) -> None:
        self.status.questionable.set(bit, on)

    # -- sweeping ---------------------------------------------------------------------------

    def _restart(self) -> None:
        self._begin(max(self.clock.now_s(), self.settled_s))

    def _begin(self, start_s: float) -> None:
        self._sweep = Sweep(self._current_plan(), start_s, self._feed, self._receiver)
        self.status.operation.set(OPERATION_SWEEPING, True)

    def _initiate(self) -> None:
        self.catch_up(self.clock.now_s())
        if self._sweep is not None:
            raise ScpiError(-213, "a sweep is running")
        if self.values["frequency mode"] == "list":
            self._start_list()
            return
        # If it was tuned a moment ago, the sweep begins when its oscillator has settled.
        self._begin(max(self.clock.now_s(), self.settled_s))

    def _initiate_and_report(self) -> Reply:
        """Sweep once and answer 1 at the end, for dialects without overlapped commands."""
        self.catch_up(self.clock.now_s())
        if self._reporting:
            if self._sweep is not None:
                return Wait(self._sweep.end_s)
            self._reporting = False
            return "1"
        self._initiate()
        self._reporting = True
        return Wait(self._sweep.end_s if self._sweep else 0.0)

    def _abort(self) -> None:
        self.catch_up(self.clock.now_s())
        self._list.stop()
        self._listed = None
        self._sweep = None
        self._reporting = False
        self.status.operation.set(OPERATION_SWEEPING, False)
        if self.values["continuous"]:
            self._restart()

    def _set_continuous(self) -> None:
        # When continuous sweeping is switched off, the running sweep is finished first.
        if self.values["continuous"] and self._sweep is None:
            self._restart()

    def busy_until_s(self) -> float:
        """The end of a single sweep, or of one point of a list; continuous sweeping is not waited
        for."""
        if self._list.running:
            return max(self.settled_s, self._list.busy_until_s)
        if self._sweep is None or self.values["continuous"]:
            return self.settled_s
        return max(self.settled_s, self._sweep.end_s)

    def prepare(self, at_s: float) -> None:
        """Work out settings and arriving level of a zero-span reading of one point."""
        values = self.values
        is_point = values["points"] == 1 and values["span"] == 0 and not values["sweep time auto"]
        if self._sweep is None and is_point:
            self._current_plan()
            self._feed.prepare(at_s)

    def catch_up(self, now_s: float) -> None:
        """Finish what should be finished by now, and in continuous mode go on."""
        self._list.bus.advance(now_s)
        self._read_list()
        if self._sweep is None:
            return
        duration_s = self._sweep.plan.sweep_time_s
        behind = (now_s - self._sweep.end_s) / duration_s
        if behind > _MOST_SWEEPS_AT_ONCE:
            self._sweep.start_s += (int(behind) - _MOST_SWEEPS_AT_ONCE) * duration_s
        while self._sweep is not None:
            self._sweep.advance(now_s)
            if not self._sweep.is_done:
                return
            self._finish(self._sweep)

    def _finish(self, sweep: Sweep) -> None:
        self.sweeps += 1
        held = self._trace_dbm
        if self.frozen:
            sweep.values_dbm[:] = FROZEN_DBM
        if self.values["trace mode"] == "hold" and held is not None:
            self._trace_dbm = np.maximum(held, sweep.values_dbm)
        else:
            self._trace_dbm = sweep.values_dbm
        self._sweep = None
        if self.values["continuous"]:
            self._begin(sweep.end_s)
        else:
            self.status.operation.set(OPERATION_SWEEPING, False)

    # -- list -------------------------------------------------------------------------------

    def _set_list(self, name: str) -> None:
        if name == "frequency mode":
            self._list.stop()
            self._listed = None
        self._list.triggered_by = str(self.values["trigger source"])
        self._list.dwell_s = self.number("list dwell")
        self._list.delay_s = self.number("trigger delay")

    def _start_list(self) -> None:
        now_s = max(self.clock.now_s(), self.settled_s)
        self._trace_dbm = None
        self._list.start(now_s)
        self._listed = ListReadings(
            self._current_plan(),
            self._list.frequencies_hz,
            self._list.dwell_s,
            self._feed,
            self._receiver,
        )
        self.catch_up(self.clock.now_s())

    def _read_list(self) -> None:
        """The readings that are over by now; all of them make the trace."""
        if self._listed is None:
            return
        self._listed.take(self._list.begun_s, self._list.place)
        if self._listed.is_done:
            self._trace_dbm, self._listed = self._listed.values_dbm, None
            self.sweeps += 1

    # -- input ------------------------------------------------------------------------------

    def _input_changed(self, level_dbm: float) -> None:
        """The input signal has changed: set the overload flag, count damage."""
        self._arriving_dbm = level_dbm
        self._check_input()

    def _check_input(self) -> None:
        level_dbm = max(self._arriving_dbm, self._own_level_dbm())
        self.highest_input_dbm = max(self.highest_input_dbm, level_dbm)
        overloaded = level_dbm > MIXER_OVERLOAD_DBM + self.number("attenuation")
        if overloaded and not self.status.questionable.condition & QUESTIONABLE_POWER:
            self.overloads += 1
        self._condition(QUESTIONABLE_POWER, overloaded)
        limit_dbm = self.model.limits.input_max_dbm
        if limit_dbm is not None and level_dbm > limit_dbm:
            self.damage += 1

    def _note_tracking(self) -> None:
        on = bool(self.values["tracking"])
        if on != self.rf_history[-1][1]:
            self.rf_history.append((self.clock.now_s(), on))
            self.record.note(self.name, RF, on)
        self._check_input()

    def _own_level_dbm(self) -> float:
        """Highest level that the own tracking output brings to the input."""
        if not self.values["tracking"]:
            return SILENCE_DBM
        grid_hz = np.linspace(self.number("start"), self.number("stop"), 101)
        level_dbm = self.number("tracking level")
        return float(self._feed.arriving_dbm(grid_hz, level_dbm, self.clock.now_s()).max())

    # -- traces -----------------------------------------------------------------------------

    def _set_format(self, kind: str, length: float | None = None) -> None:
        if kind == "ascii":
            self.values["format"] = "ascii"
            return
        if not self.dialect.binary:
            raise ScpiError(-224, "this instrument sends traces as text only")
        if length not in (None, 32.0, 64.0):
            raise ScpiError(-224, "REAL is 32 or 64 bits long")
        self.values["format"] = "real64" if length == 64.0 else "real32"

    def _format(self) -> str:
        return {"ascii": "ASC,0", "real32": "REAL,32", "real64": "REAL,64"}[
            str(self.values["format"])
        ]

    def _read_trace(self, which: str = "1") -> Reply:
        """The last complete sweep.

        Raises:
            ScpiError: -230 if there is none since the settings were changed.
        """
        self.catch_up(self.clock.now_s())
        if self._trace_dbm is None:
            raise ScpiError(-230, "no sweep was finished since the settings were changed")
        form = str(self.values["format"])
        if form == "ascii":
            text = ",".join(["%.6E"] * self._trace_dbm.size) % tuple(self._trace_dbm.tolist())
            return self.dialect.answer("TRACe", self.settings["reference level"], text)
        return encode_values(
            self._trace_dbm,
            bits=64 if form == "real64" else 32,
            swapped=self.values["border"] == "little",
        )

    def state(self) -> dict[str, Any]:
        """Sweeps made, and what the input had to bear."""
        self.catch_up(self.clock.now_s())
        return super().state() | {
            "sweeps": self.sweeps,
            "overloads": self.overloads,
            "damage": self.damage,
            "highest_input_dbm": self.highest_input_dbm,
            "rf_on": bool(self.values["tracking"]),
            "rf_history": [list(entry) for entry in self.rf_history],
            "list": list_state(self._list),
        }


def _stepped(value: float, mantissas: tuple[float, ...]) -> float:
    """The nearest value of a 1-3-10 or similar row, by ratio."""
    decade = 10.0 ** np.floor(np.log10(value))
    row = [mantissa * decade for mantissa in (*mantissas, 10.0 * mantissas[0])]
    return float(min(row, key=lambda step: abs(np.log(step / value))))
