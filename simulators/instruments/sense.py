"""The box's lid contact."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from simulators.instruments.base import Action, Instrument
from simulators.instruments.clock import SimulatedClock
from simulators.instruments.dialect import Dialect
from simulators.world import InstrumentModel, World


class Sense(Instrument):
    """Answers 1 while the lid is open and 0 while it is closed."""

    kind = "sense"

    def __init__(
        self, model: InstrumentModel, clock: SimulatedClock, dialect: Dialect, world: World
    ) -> None:
        self._world = world
        super().__init__(model, clock, dialect)

    def actions(self) -> Mapping[str, Action]:
        """One question."""
        return {"lid": Action(self._lid)}

    def _lid(self) -> str:
        return "1" if self._world.lid_is_open() else "0"

    def state(self) -> dict[str, Any]:
        """Whether the lid is open."""
        return super().state() | {"lid_open": self._world.lid_is_open()}
