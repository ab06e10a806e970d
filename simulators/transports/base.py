"""What every front end offers: start, resource string, faults of the link."""

from __future__ import annotations

import asyncio
import socket
from abc import ABC, abstractmethod
from typing import Any

from simulators.instruments import Instrument, SimulatedClock
from simulators.radiation_record import HEARS
from simulators.transports.faults import LINK_FAULTS, MODES, FaultPlan
from simulators.transports.session import Session


class Front(ABC):
    """One instrument reachable over one kind of link.

    Attributes:
        sessions: the sessions of the clients that are connected.
    """

    def __init__(self, instrument: Instrument, clock: SimulatedClock, host: str, port: int) -> None:
        self.instrument = instrument
        self.clock = clock
        self.host = host
        self.port = port
        self.faults = FaultPlan()
        self.sessions: set[Session] = set()
        self._resume: asyncio.TimerHandle | None = None

    @property
    @abstractmethod
    def resource(self) -> str:
        """The VISA resource string a client opens."""

    @abstractmethod
    async def start(self) -> None:
        """Listen. Raises OSError if the port is taken."""

    @abstractmethod
    def stop(self) -> None:
        """Stop listening and cut every connection; `start` may follow."""

    def fault(self, mode: str, *, count: int, skip: int, delay_s: float | None) -> None:
        """Arm a fault, or end all of them with the mode `none`.

        Raises:
            ValueError: an unknown mode or senseless numbers.
        """
        if mode == "none":
            self._behave()
        elif mode in LINK_FAULTS:
            if mode == "deaf":
                self._set_deaf(True)
            else:
                self.stop()
                self.instrument.record.note(self.instrument.name, HEARS, False)
            if delay_s is not None:
                loop = asyncio.get_running_loop()
                self._resume = loop.call_later(delay_s, self._behave)
        elif mode in MODES:
            self.faults.arm(mode, count=count, skip=skip, delay_s=delay_s)
        else:
            raise ValueError(f"no fault {mode!r}; there are {', '.join(MODES)}")

    def _set_deaf(self, deaf: bool) -> None:
        for session in self.sessions:
            session.set_deaf(deaf)

    def _behave(self) -> None:
        if self._resume is not None:
            self._resume.cancel()
            self._resume = None
        self.faults.clear()
        self._set_deaf(False)
        self.restart()
        self.instrument.record.note(self.instrument.name, HEARS, True)

    @abstractmethod
    def restart(self) -> None:
        """Listen again on the same address, if listening was stopped."""


class StreamFront(Front):
    """A front end that listens on a TCP port."""

    def __init__(self, instrument: Instrument, clock: SimulatedClock, host: str, port: int) -> None:
        super().__init__(instrument, clock, host, port)
        self._server: asyncio.Server | None = None
        self._tasks: set[asyncio.Task[Any]] = set()

    @abstractmethod
    def make_protocol(self) -> asyncio.BaseProtocol:
        """A protocol object for a new connection."""

    @abstractmethod
    def cut(self) -> None:
        """Abort every connection."""

    async def start(self) -> None:
        """Listen on the given port, or on a free one that stays the same afterwards."""
        await self._serve(self._listen())

    def _listen(self) -> socket.socket:
        """A socket that clients can connect to from now on, even before it is served."""
        listening = socket.socket(socket.AF_INET, socket.SOCK_STREAM)
        try:
            listening.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
            listening.bind((self.host, self.port))
            listening.listen(100)
        except OSError:
            listening.close()
            raise
        self.port = listening.getsockname()[1]
        return listening

    async def _serve(self, listening: socket.socket) -> None:
        loop = asyncio.get_running_loop()
        self._server = await loop.create_server(self.make_protocol, sock=listening)

    def stop(self) -> None:
        """Stop listening and cut every connection."""
        if self._server is not None:
            self._server.close()
            self._server = None
        self.cut()

    def restart(self) -> None:
        """Listen again on the same port."""
        if self._server is None and not self._tasks:
            serving = self._serve(self._listen())
            task = asyncio.get_running_loop().create_task(serving)
            self._tasks.add(task)
            task.add_done_callback(self._tasks.discard)
