"""The power meter: readings in watts or dBm, averaging, zeroing, and a sensor that can be burnt."""

from __future__ import annotations

import math
from collections.abc import Mapping
from typing import Any

import numpy as np

from simulators.instruments.base import Action, Instrument
from simulators.instruments.clock import SimulatedClock
from simulators.instruments.dialect import Dialect
from simulators.instruments.emission import SILENCE_DBM, Feed
from simulators.instruments.settings import ChoiceSetting, FlagSetting, NumberSetting, Setting
from simulators.scpi import Choice, Wait
from simulators.scpi.commands import Reply
from simulators.world import InstrumentModel, PowerMeterModel

_OUTSIDE_HZ = 100e9


class PowerMeter(Instrument):
    """Reads all power at any frequency. Zeroing makes the power that arrives then the new zero."""

    kind = "meter"

    def __init__(
        self,
        model: InstrumentModel,
        clock: SimulatedClock,
        dialect: Dialect,
        feed: Feed,
        meter: PowerMeterModel,
    ) -> None:
        self._feed = feed
        self._meter = meter
        self._zero_w = 0.0
        self._ready_s: float | None = None
        self._zeroing_s: float | None = None
        self.readings = 0
        self.zeroings: list[tuple[float, float]] = []
        self.damage = 0
        self.highest_input_dbm = SILENCE_DBM
        super().__init__(model, clock, dialect)
        feed.listeners.append(self._input_changed)

    def default_settings(self) -> Mapping[str, Setting]:
        """Limits come from the world file."""
        limits = self.model.limits
        low_hz, high_hz = limits.frequency_min_hz or 10e6, limits.frequency_max_hz or 18e9
        return {
            "frequency": NumberSetting(max(low_hz, 50e6), low_hz, high_hz, "HZ"),
            "averaging": NumberSetting(4, 1, 1024, whole=True),
            "unit": ChoiceSetting("dbm", {"DBM": "dbm", "W": "watts"}),
            "continuous": FlagSetting(),
        }

    def actions(self) -> Mapping[str, Action]:
        """One reading, and zeroing."""
        return {
            "read": Action(self._read),
            "zero": Action(self._zero, (Choice({"ONCE": "once"}),)),
        }

    def changed(self, name: str) -> None:
        """A new frequency takes a moment."""
        if name == "frequency":
            self.settle(self.model.settle_s)

    def rest(self) -> None:
        """Stop whatever runs; the zero is kept, as real meters do."""
        self._ready_s = self._zeroing_s = None

    def catch_up(self, now_s: float) -> None:
        """End a zeroing whose time is over: the power that arrives then is the new zero."""
        if self._zeroing_s is not None and now_s >= self._zeroing_s:
            at_s, self._zeroing_s = self._zeroing_s, None
            arriving_w = self._arriving_w(at_s)
            self._zero_w = arriving_w + self._meter.offset_w(self._warmer_k(at_s))
            self.zeroings.append((at_s, arriving_w))

    def _zero(self, _: str = "once") -> None:
        self.settle(self._meter.model.zero_s)
        self._zeroing_s = self.settled_s

    def _read(self) -> Reply:
        """A reading begins when everything has settled, and takes its time for each average."""
        now_s = self.clock.now_s()
        self.catch_up(now_s)
        count = int(self.values["averaging"])
        if self._ready_s is None:
            self._ready_s = max(now_s, self.settled_s) + count * self._meter.model.reading_s
        if now_s < self._ready_s:
            return Wait(self._ready_s)
        at_s, self._ready_s = self._ready_s, None
        self.catch_up(at_s)
        self.readings += 1
        offset_w = self._meter.offset_w(self._warmer_k(at_s)) - self._zero_w
        frequency_hz = self.number("frequency")
        watts = self._meter.shown_w(self._arriving_w(at_s), frequency_hz, offset_w, count)
        if self.values["unit"] == "watts":
            return f"{watts:.6E}"
        # Of a negative power there is no logarithm: SCPI-1999 says "not a number".
        return f"{10 * math.log10(watts) + 30:.4f}" if watts > 0 else "9.91E37"

    def _warmer_k(self, at_s: float) -> float:
        return self._feed.world.temperature_k(at_s)

    def _arriving_w(self, at_s: float) -> float:
        """Carrier, harmonics and outside transmitters, all at once."""
        (_, emission) = self._feed.during(at_s, at_s + 1e-9)[-1]
        tones = self._feed.ambient(0.0, _OUTSIDE_HZ)
        if emission.level_dbm is not None and emission.is_moving:
            _, level = self._feed.at_times(np.array([at_s]))
            tones = [*tones, (0.0, float(level[0]))]
        elif emission.level_dbm is not None:
            carrier = (float(emission.steps_hz[0]), self._feed.fixed_level_dbm(emission, at_s))
            tones = [*tones, carrier, *self._feed.harmonics(emission, at_s)]
        return sum(10 ** ((level_dbm - 30) / 10) for _, level_dbm in tones)

    def _input_changed(self, level_dbm: float) -> None:
        """Something else arrives: damage is counted."""
        self.highest_input_dbm = max(self.highest_input_dbm, level_dbm)
        limit_dbm = self.model.limits.input_max_dbm
        if limit_dbm is not None and level_dbm > limit_dbm:
            self.damage += 1

    def state(self) -> dict[str, Any]:
        """What the sensor had to bear, and when it was zeroed, with how much power there was."""
        self.catch_up(self.clock.now_s())
        return super().state() | {
            "readings": self.readings,
            "zeroings": [list(one) for one in self.zeroings],
            "damage": self.damage,
            "highest_input_dbm": self.highest_input_dbm,
        }
