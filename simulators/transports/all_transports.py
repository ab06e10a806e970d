"""All front ends of one world, started together, and the pulse that keeps sweeps going."""

from __future__ import annotations

import asyncio
from collections.abc import Callable

from simulators.instruments import Instrument, SimulatedClock, Workbench
from simulators.transports.base import Front
from simulators.transports.hislip import HislipFront
from simulators.transports.raw_socket import SocketFront
from simulators.transports.serial_line import SerialFront
from simulators.transports.vxi11 import VxiFront

FRONTS: dict[str, Callable[[Instrument, SimulatedClock, str, int], Front]] = {
    "socket": SocketFront,
    "hislip": HislipFront,
    "vxi11": VxiFront,
    "serial": SerialFront,
}
"""Front end by the name of its transport."""

_PULSE_S = 0.05


class UnknownTransportError(Exception):
    """The world file or the command line asks for a transport that does not exist."""


class Host:
    """Serves every instrument of a workbench on its own port.

    Args:
        transports: transport by instrument name; what is not named is on a raw socket, or on
            what the world file says.
    """

    def __init__(
        self,
        workbench: Workbench,
        *,
        host: str = "127.0.0.1",
        transports: dict[str, str] | None = None,
    ) -> None:
        self.workbench = workbench
        self.fronts: dict[str, Front] = {}
        chosen = transports or {}
        for name in chosen:
            if name not in workbench.instruments:
                known = ", ".join(workbench.instruments)
                raise UnknownTransportError(f"no instrument {name!r}; there are {known}")
        for name, instrument in workbench.instruments.items():
            kind = chosen.get(name) or str(getattr(instrument.model, "transport", "socket"))
            if kind not in FRONTS:
                raise UnknownTransportError(
                    f"instrument {name}: no transport {kind!r}; there are {', '.join(FRONTS)}"
                )
            front = FRONTS[kind](instrument, workbench.clock, host, instrument.model.port)
            self.fronts[name] = front
        self._pulse: asyncio.TimerHandle | None = None

    async def start(self) -> None:
        """Listen on every port. Raises OSError naming the instrument whose port is taken."""
        for name, front in self.fronts.items():
            try:
                await front.start()
            except OSError as error:
                self.stop()
                raise OSError(f"instrument {name}, port {front.port}: {error}") from error
        self._beat()

    def stop(self) -> None:
        """Close everything."""
        if self._pulse is not None:
            self._pulse.cancel()
        for front in self.fronts.values():
            front.stop()

    def resources(self) -> dict[str, str]:
        """VISA resource string by instrument name."""
        return {name: front.resource for name, front in self.fronts.items()}

    def _beat(self) -> None:
        """Continuous sweeps advance even while no client asks anything."""
        now_s = self.workbench.clock.now_s()
        for instrument in self.workbench.instruments.values():
            instrument.catch_up(now_s)
        self._pulse = asyncio.get_running_loop().call_later(_PULSE_S, self._beat)
