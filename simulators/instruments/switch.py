"""The RF switch: banks of throws, one closed in each, and contacts that take time to move."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from typing import Any

from simulators.instruments.base import Action, Instrument
from simulators.instruments.clock import SimulatedClock
from simulators.instruments.dialect import Dialect
from simulators.scpi import ChannelList, ScpiError
from simulators.world import InstrumentModel, World
from simulators.world.parts import CHANNELS


class Switch(Instrument):
    """Closing a throw opens the others of its bank.

    `moving` is called before and after the contacts move, so that readings under way see the
    world as it was and the source's output arrives the new way at once.
    """

    kind = "switch"

    def __init__(
        self,
        model: InstrumentModel,
        clock: SimulatedClock,
        dialect: Dialect,
        world: World,
        moving: Callable[[Callable[[], None]], None],
        rf_is_on: Callable[[], bool],
    ) -> None:
        self._world = world
        self._moving = moving
        self._rf_is_on = rf_is_on
        self.operations = 0
        self.hot_operations = 0
        super().__init__(model, clock, dialect)

    def actions(self) -> Mapping[str, Action]:
        """Close, open, and two ways to ask."""
        channels = (ChannelList(),)
        return {
            "close": Action(self._close, channels),
            "open": Action(self._open, channels),
            "open all": Action(self.rest),
            "is closed": Action(self._is_closed, channels),
            "closed": Action(self._closed),
        }

    def rest(self) -> None:
        """Every throw open."""
        self._move(self._world.open_channel, self._world.closed_channels())

    def _close(self, channels: tuple[int, ...]) -> None:
        self._check(channels)
        self._move(self._world.close_channel, channels)

    def _open(self, channels: tuple[int, ...]) -> None:
        self._check(channels)
        self._move(self._world.open_channel, channels)

    def _move(self, act: Callable[[int], None], channels: tuple[int, ...]) -> None:
        def work() -> None:
            for channel in channels:
                act(channel)

        before = self._world.closed_channels()
        self._moving(work)
        if self._world.closed_channels() != before:
            self.operations += 1
            # Contacts that move under power wear; a careful driver switches RF off first.
            self.hot_operations += self._rf_is_on()
        self.settle(self.model.settle_s)

    def _check(self, channels: tuple[int, ...]) -> None:
        if self._world.model.layout == "by-hand":
            raise ScpiError(-241, "this bench has no switch wired in")
        for channel in channels:
            if channel not in CHANNELS:
                known = ",".join(str(one) for one in CHANNELS)
                raise ScpiError(-224, f"no channel {channel}; there are {known}")

    def _is_closed(self, channels: tuple[int, ...]) -> str:
        self._check(channels)
        closed = self._world.closed_channels()
        return ",".join("1" if channel in closed else "0" for channel in channels)

    def _closed(self) -> str:
        return "(@" + ",".join(str(channel) for channel in self._world.closed_channels()) + ")"

    def state(self) -> dict[str, Any]:
        """What is closed and how often contacts moved, with and without RF."""
        return super().state() | {
            "closed": list(self._world.closed_channels()),
            "operations": self.operations,
            "hot_operations": self.hot_operations,
        }
