"""All instruments of one world, wired to it and to each other."""

from __future__ import annotations

from collections.abc import Callable
from importlib.metadata import entry_points
from typing import Any

from simulators.instruments.analyzer import Analyzer
from simulators.instruments.base import Instrument
from simulators.instruments.box_sensors import BoxSensors
from simulators.instruments.clock import SimulatedClock
from simulators.instruments.dialect import Dialect
from simulators.instruments.dialects import DIALECTS
from simulators.instruments.emission import Feed
from simulators.instruments.lists import TriggerBus
from simulators.instruments.powermeter import PowerMeter
from simulators.instruments.source import Source
from simulators.instruments.switch import Switch
from simulators.radiation_record import Record
from simulators.world import AnalyzerModel, InstrumentModel, PowerMeterModel, World

ENTRY_POINTS = "benchd.simulators"
"""Entry-point group in which another package offers its own instruments, as `KIND.DIALECT`: a
`Dialect`, or a factory that takes (InstrumentModel, Workbench) and returns an `Instrument`."""


class UnknownDialectError(Exception):
    """The world file asks for a dialect that does not exist."""


class Workbench:
    """The instruments by name, the clock and the world they share.

    The first source of the world file feeds the RF path. A further source answers messages, but
    nothing is connected to its output.
    """

    def __init__(self, world: World, clock: SimulatedClock) -> None:
        self.world = world
        self.clock = clock
        self.feed = Feed(world)
        self.record = Record()
        self.bus = TriggerBus(world.model.triggers, world.generator(90))
        self.instruments: dict[str, Instrument] = {}
        for model in world.model.instruments:
            self.instruments[model.name] = self._build(model)
            self.instruments[model.name].record = self.record

    def move(self, work: Callable[[], None]) -> None:
        """Change the world. Sweeps under way first compute their readings up to now."""
        now_s = self.clock.now_s()
        for instrument in self.instruments.values():
            instrument.catch_up(now_s)
        work()
        self.feed.world_changed(now_s)

    def rf_is_on(self) -> bool:
        """Whether any output of the bench radiates."""
        return any(
            bool(one.values.get("output") or one.values.get("tracking"))
            for one in self.instruments.values()
        )

    def state(self) -> dict[str, Any]:
        """The simulated time, the world and every instrument; JSON-able."""
        return {
            "time_s": self.clock.now_s(),
            "world": self.world.state(),
            "rf_on": self.rf_is_on(),
            "instruments": {name: one.state() for name, one in self.instruments.items()},
        }

    def _build(self, model: InstrumentModel) -> Instrument:
        dialect = DIALECTS[model.kind].get(model.dialect) or _from_stranger(model)
        if not isinstance(dialect, Dialect):
            made = dialect(model, self)
            assert isinstance(made, Instrument)
            return made
        if model.kind == "source":
            connected = not any(isinstance(one, Source) for one in self.instruments.values())
            return Source(model, self.clock, dialect, self.feed if connected else None, self.bus)
        if model.kind == "analyzer":
            seed = 100 + len(self.instruments)
            receiver = AnalyzerModel(self.world.model.analyzer, self.world.generator(seed))
            return Analyzer(model, self.clock, dialect, self.feed, receiver, self.bus)
        if model.kind == "meter":
            seed = 100 + len(self.instruments)
            meter = PowerMeterModel(self.world.model.meter, self.world.generator(seed))
            return PowerMeter(model, self.clock, dialect, self.feed, meter)
        if model.kind == "switch":
            return Switch(model, self.clock, dialect, self.world, self.move, self.rf_is_on)
        return BoxSensors(model, self.clock, dialect, self.world)


def _from_stranger(model: InstrumentModel) -> Any:
    for entry in entry_points(group=ENTRY_POINTS, name=f"{model.kind}.{model.dialect}"):
        return entry.load()
    known = ", ".join(sorted(DIALECTS[model.kind]))
    raise UnknownDialectError(
        f"instrument {model.name}: no dialect {model.dialect!r} for a {model.kind}; "
        f"there are {known}"
    )
