"""A serial line over a pseudo-terminal: newline-terminated messages, nothing that connects.

A serial instrument does not notice a client coming or going: a reply that is late is read by
whoever opens the line next. Switched off (the fault `stop-listening`) it just does not answer.
"""

from __future__ import annotations

import asyncio
import os
import termios
import tty

from simulators.instruments import Instrument, SimulatedClock
from simulators.transports.base import Front
from simulators.transports.session import Session

_OUTPUT_BUFFER_BYTES = 1 << 20


class SerialFront(Front):
    """An instrument on a pseudo-terminal."""

    def __init__(self, instrument: Instrument, clock: SimulatedClock, host: str, port: int) -> None:
        super().__init__(instrument, clock, host, port)
        self._master = self._slave = -1
        self._path = ""
        self._pending = b""
        self._session: Session | None = None
        self._held = False
        self._full = False

    @property
    def resource(self) -> str:
        """The VISA resource string a client opens."""
        return f"ASRL{self._path}::INSTR"

    async def start(self) -> None:
        """Make the line and listen on it."""
        # The far end stays open here, or the line would break when a client closes it.
        self._master, self._slave = os.openpty()
        tty.setraw(self._slave)
        os.set_blocking(self._master, False)
        self._path = os.ttyname(self._slave)
        self._listen()

    def stop(self) -> None:
        """Answer nothing any more; the line itself stays where it is."""
        if self._session is None:
            return
        loop = asyncio.get_running_loop()
        loop.remove_reader(self._master)
        loop.remove_writer(self._master)
        self._session.close()
        self.sessions.discard(self._session)
        self._session = None
        self._pending = b""

    def restart(self) -> None:
        """Answer again. Bytes that were sent meanwhile are lost."""
        if self._session is None:
            termios.tcflush(self._master, termios.TCIOFLUSH)
            self._listen()

    def _listen(self) -> None:
        self._session = Session(self.instrument, self.clock, self.faults, self)
        self.sessions.add(self._session)
        self._held = self._full = False
        asyncio.get_running_loop().add_reader(self._master, self._receive)

    def _receive(self) -> None:
        try:
            data = os.read(self._master, 65536)
        except (BlockingIOError, OSError):
            return
        if self._session is not None:
            self._session.receive(data)

    def write(self, data: bytes, *, end: bool) -> None:
        """Send reply bytes as fast as the line takes them."""
        self._pending += data
        self._drain()

    def hang_up(self) -> None:
        """A serial line cannot hang up: the instrument falls silent."""
        self.stop()

    def hold_input(self, hold: bool) -> None:
        """Leave bytes on the line, or take them again."""
        if self._session is None or hold == self._held:
            return
        self._held = hold
        loop = asyncio.get_running_loop()
        if hold:
            loop.remove_reader(self._master)
        else:
            loop.add_reader(self._master, self._receive)

    def _drain(self) -> None:
        loop = asyncio.get_running_loop()
        try:
            sent = os.write(self._master, self._pending)
        except BlockingIOError:
            sent = 0
        self._pending = self._pending[sent:]
        if self._pending:
            loop.add_writer(self._master, self._drain)
        else:
            loop.remove_writer(self._master)
        full = len(self._pending) > _OUTPUT_BUFFER_BYTES
        if self._session is not None and full != self._full:
            self._full = full
            self._session.block(full)
