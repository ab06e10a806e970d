"""One client's messages to one instrument: bytes in; replies and the next time to call out."""

from __future__ import annotations

from collections import deque
from typing import Protocol

from simulators.scpi.commands import CommandTable, Unit
from simulators.scpi.errors import ScpiError
from simulators.scpi.framing import OVERRUN, Framer
from simulators.scpi.status import Status


class Device(Protocol):
    """What a conversation needs of the instrument behind it."""

    status: Status
    table: CommandTable
    latency_s: float
    reply_end: bytes


class Conversation:
    """Runs a client's messages strictly in order; each message gives at most one reply.

    Several conversations may share a device: its settings, status and error queue are common,
    the half-received message and the waiting are each client's own.
    """

    def __init__(self, device: Device, *, input_limit: int = 65536) -> None:
        self._device = device
        self._framer = Framer(input_limit)
        self._messages: deque[bytes] = deque()
        self._units: tuple[Unit, ...] = ()
        self._next = 0
        self._ready_s = 0.0
        self._delayed = False
        self._parts: list[bytes] = []
        self.backlog = 0
        """Bytes of complete messages that wait their turn."""

    def receive(self, data: bytes, *, end: bool = False) -> None:
        """Take bytes from the link; `end` marks a message's end without a newline."""
        messages = self._framer.feed(data)
        if end:
            messages += self._framer.end()
        for message in messages:
            self.backlog += len(message)
            self._messages.append(message)

    @property
    def idle(self) -> bool:
        """Whether nothing is being run and nothing waits."""
        return not self._messages and self._next >= len(self._units)

    def clear(self) -> None:
        """Device clear: drop input, output and whatever is being waited for."""
        self._framer.clear()
        self._messages.clear()
        self._units, self._next, self._parts = (), 0, []
        self._ready_s, self._delayed = 0.0, False
        self.backlog = 0

    def advance(self, now_s: float) -> tuple[list[bytes], float | None]:
        """Run what can be run at this simulated time.

        Returns:
            Finished replies with their newline, and the time to call again; None when there is
            nothing left to do until more bytes arrive.
        """
        replies: list[bytes] = []
        while True:
            if self._next >= len(self._units):
                if self._parts:
                    replies.append(b";".join(self._parts) + self._device.reply_end)
                    self._parts = []
                if not self._messages:
                    return replies, None
                self._start(self._messages.popleft())
                continue
            if now_s < self._ready_s:
                return replies, self._ready_s
            if self._device.latency_s > 0.0 and not self._delayed:
                self._delayed = True
                self._ready_s = now_s + self._device.latency_s
                continue
            self._run_unit(self._units[self._next], now_s)

    def _start(self, message: bytes) -> None:
        self.backlog -= len(message)
        self._next = 0
        if message is OVERRUN:
            self._device.status.report(ScpiError(-363))
            self._units = ()
        else:
            self._units = self._device.table.compile(message)

    def _run_unit(self, unit: Unit, now_s: float) -> None:
        """Run one unit; a `Wait` leaves it to be run again later."""
        try:
            if unit.run is None:
                raise unit.error or ScpiError(-310)
            reply = unit.run(*unit.arguments)
        except ScpiError as error:
            self._device.status.report(error)
            reply = None
        if reply is None:
            pass
        elif isinstance(reply, str):
            self._parts.append(reply.encode("latin-1"))
        elif isinstance(reply, bytes):
            self._parts.append(reply)
        else:
            # A wait that ends now would be repeated without end.
            self._ready_s = max(reply.until_s, now_s + 1e-9)
            return
        self._next += 1
        self._delayed = False
