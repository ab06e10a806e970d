"""The signal source: fixed frequency or free-running step sweep, level, RF on and off."""

from __future__ import annotations

from collections import deque
from collections.abc import Mapping
from typing import Any

import numpy as np

from simulators.instruments.base import Action, Instrument
from simulators.instruments.clock import SimulatedClock
from simulators.instruments.dialect import Dialect
from simulators.instruments.emission import Emission, Feed
from simulators.instruments.list_commands import list_actions, list_state
from simulators.instruments.lists import TRIGGERED_BY, SourceStepper, TriggerBus
from simulators.instruments.settings import ChoiceSetting, FlagSetting, NumberSetting, Setting
from simulators.radiation_record import RF
from simulators.scpi import ScpiError
from simulators.world import InstrumentModel

_HISTORY = 20000

MODES = {"CW": "cw", "FIXed": "cw", "SWEep": "sweep", "LIST": "list"}
"""The words of `FREQuency:MODE`."""


class Source(Instrument):
    """A source whose output follows its settings after a settling time.

    Until then it emits as before, so a client that reads too early gets wrong values. RF off takes
    effect at once.
    """

    kind = "source"

    def __init__(
        self,
        model: InstrumentModel,
        clock: SimulatedClock,
        dialect: Dialect,
        feed: Feed | None,
        bus: TriggerBus,
    ) -> None:
        self._feed = feed
        self._list = SourceStepper(model.name, bus, lambda: self.status)
        self._list.settle_s = model.settle_s
        self._sweep_origin_s = 0.0
        self.rf_history: deque[tuple[float, bool]] = deque(maxlen=_HISTORY)
        self.level_history: deque[tuple[float, float]] = deque(maxlen=_HISTORY)
        self.highest_level_dbm: float | None = None
        super().__init__(model, clock, dialect)
        self.rf_history.append((clock.now_s(), False))

    def default_settings(self) -> Mapping[str, Setting]:
        """Limits come from the world file; the start values lie safely inside."""
        limits = self.model.limits
        low_hz = limits.frequency_min_hz or 1e6
        high_hz = limits.frequency_max_hz or 6e9
        weak_dbm = -60.0 if limits.level_min_dbm is None else limits.level_min_dbm
        strong_dbm = 15.0 if limits.level_max_dbm is None else limits.level_max_dbm
        middle_hz = min(max(1e9, low_hz), high_hz)
        return {
            "frequency": NumberSetting(middle_hz, low_hz, high_hz, "HZ"),
            "level": NumberSetting(max(weak_dbm, -30.0), weak_dbm, strong_dbm, "DBM"),
            "output": FlagSetting(),
            "start": NumberSetting(low_hz, low_hz, high_hz, "HZ"),
            "stop": NumberSetting(high_hz, low_hz, high_hz, "HZ"),
            "mode": ChoiceSetting("cw", MODES),
            "points": NumberSetting(101, 2, 65535, whole=True),
            "dwell": NumberSetting(0.01, 10e-6, 100.0, "S"),
            "continuous": FlagSetting(),
            "list dwell": NumberSetting(0.01, 10e-6, 100.0, "S"),
            "trigger source": ChoiceSetting("itself", TRIGGERED_BY),
        }

    def actions(self) -> Mapping[str, Action]:
        """What belongs to a list."""
        return list_actions(self._list, self.model, self.clock, self.dialect) | {
            "initiate": Action(self._initiate),
            "abort": Action(self._abort),
        }

    def catch_up(self, now_s: float) -> None:
        """Let the list go on."""
        self._list.bus.advance(now_s)

    def busy_until_s(self) -> float:
        """When the output has settled; a list is not waited for beyond its present point."""
        return max(self.settled_s, self._list.busy_until_s if self._list.running else 0.0)

    def _initiate(self) -> None:
        now_s = self.clock.now_s()
        self.catch_up(now_s)
        if self.values["mode"] != "list":
            raise ScpiError(-213, "no list is chosen")
        self._list.start(now_s)
        self.changed("list")
        self.catch_up(now_s)

    def _abort(self) -> None:
        """End the list; the output stays where it is."""
        self.catch_up(self.clock.now_s())
        self._list.stop()

    def changed(self, name: str) -> None:
        """Emit by the new settings; after a change of frequency, when it has settled."""
        now_s = self.clock.now_s()
        rf_on = bool(self.values["output"])
        if name == "output" and rf_on != self.rf_history[-1][1]:
            self.rf_history.append((now_s, rf_on))
            self.record.note(self.name, RF, rf_on)
        if name == "mode":
            self._list.stop()
            self._list.moved_s = []
        self._list.triggered_by = str(self.values["trigger source"])
        self._list.dwell_s = self.number("list dwell")
        if name == "level":
            self.level_history.append((now_s, self.number("level")))
        if name == "continuous" or (name == "mode" and self.values["continuous"]):
            self._sweep_origin_s = now_s
        if rf_on:
            strongest = max(self.highest_level_dbm or -np.inf, self.number("level"))
            self.highest_level_dbm = strongest
        settle_s = self.model.settle_s if rf_on or name != "output" else 0.0
        if name == "list":
            settle_s = 0.0
        self.settle(settle_s)
        if self._feed is not None and (rf_on or name == "output"):
            self._feed.change(self._emission(now_s + settle_s), now_s)

    def prepare(self, at_s: float) -> None:
        """Whoever waits for a source to settle will want to read what then arrives."""
        if self._feed is not None:
            for prepare in self._feed.readers:
                prepare(at_s)

    def rest(self) -> None:
        """RF off, at once, and no list."""
        self._list.stop()
        self.changed("output")

    def _emission(self, start_s: float) -> Emission:
        level_dbm = self.number("level") if self.values["output"] else None
        if self.values["mode"] == "cw":
            return Emission(start_s, level_dbm, np.array([self.number("frequency")]))
        if self.values["mode"] == "list":
            steps_hz = np.array([self.number("frequency"), *self._list.frequencies_hz])
            return Emission(start_s, level_dbm, steps_hz, moved_s=self._list.moved_s)
        steps_hz = np.linspace(
            self.number("start"), self.number("stop"), int(self.values["points"])
        )
        if not self.values["continuous"]:
            # The sweep mode is set but the sweep not started: it stays at the first frequency.
            steps_hz = steps_hz[:1]
        return Emission(start_s, level_dbm, steps_hz, self.number("dwell"), self._sweep_origin_s)

    def state(self) -> dict[str, Any]:
        """RF state and everything that was ever emitted, for tests that prove safety."""
        return super().state() | {
            "rf_on": bool(self.values["output"]),
            "rf_history": [list(entry) for entry in self.rf_history],
            "level_history": [list(entry) for entry in self.level_history],
            "highest_level_dbm": self.highest_level_dbm,
            "list": list_state(self._list),
        }
