"""The sensors of the box: its lid contact and a thermometer."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from simulators.instruments.base import Action, Instrument
from simulators.instruments.clock import SimulatedClock
from simulators.instruments.dialect import Dialect
from simulators.world import InstrumentModel, World

_AT_START_C = 21.0


class BoxSensors(Instrument):
    """Answers 1 while the lid is open and 0 while it is closed; tells the room's temperature."""

    kind = "sense"

    def __init__(
        self, model: InstrumentModel, clock: SimulatedClock, dialect: Dialect, world: World
    ) -> None:
        self._world = world
        super().__init__(model, clock, dialect)

    def actions(self) -> Mapping[str, Action]:
        """Two questions."""
        return {"lid": Action(self._lid), "temperature": Action(self._temperature)}

    def _lid(self) -> str:
        return "1" if self._world.lid_is_open() else "0"

    def _temperature_c(self) -> float:
        return _AT_START_C + self._world.temperature_k(self.clock.now_s())

    def _temperature(self) -> str:
        # A thermometer of this kind shows a tenth of a degree (common practice, no source).
        return f"{self._temperature_c():.1f}"

    def state(self) -> dict[str, Any]:
        """Lid and temperature."""
        return super().state() | {
            "lid_open": self._world.lid_is_open(),
            "temperature_c": self._temperature_c(),
        }
