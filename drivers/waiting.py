"""Waiting for a socket or a line in slices, so that a stop is obeyed and every wait has an end."""

from __future__ import annotations

import errno
import math
import os
import select
import socket
import time
from collections.abc import Callable
from contextlib import suppress
from typing import Any

from drivers.errors import Stopped

Cancel = Callable[[], bool]

SLICE_S = 0.05


class ChannelTimeout(Exception):
    """Nothing, or no more, arrived in time; or nothing more could be sent in time."""


class ChannelClosed(Exception):
    """The connection is gone; the text says how that was seen."""


def wait_until_ready(ready: select.poll, deadline: float, cancel: Cancel | None) -> None:
    """Wait for a poll object in slices. Raises ChannelTimeout at the deadline, Stopped if told."""
    while True:
        left_s = deadline - time.monotonic()
        if left_s > SLICE_S:
            left_s = SLICE_S
        elif left_s < 0.0:
            left_s = 0.0
        if ready.poll(left_s * 1000.0):
            return
        check(deadline, cancel)


def check(deadline: float, cancel: Cancel | None) -> None:
    """Raise Stopped if told to stop, ChannelTimeout after the deadline.

    Also asked between two pieces of one reply: an instrument that sends a byte now and then, and
    never the end, would otherwise be waited for without either being looked at.
    """
    if cancel is not None and cancel():
        raise Stopped
    if time.monotonic() >= deadline:
        raise ChannelTimeout


def wait(seconds: float, cancel: Cancel | None) -> None:
    """Sleep in slices of 50 ms. Raises Stopped if told to stop."""
    deadline = time.monotonic() + seconds
    while True:
        if cancel is not None and cancel():
            raise Stopped
        left_s = deadline - time.monotonic()
        if left_s <= 0.0:
            return
        time.sleep(min(0.05, left_s))


class WatchedSocket(socket.socket):
    """A socket that a library reads and writes, and whose waits still end.

    deadline: on time.monotonic(). cancel: asked every 50 ms. The owner sets both before each call
    into the library. Raises TimeoutError, Stopped, and ConnectionResetError once the peer has
    closed: pyvisa-py's RPC takes the empty result for "nothing yet" and spins.
    """

    def __init__(self, *arguments: Any, **named: Any) -> None:
        super().__init__(*arguments, **named)
        self.deadline = math.inf
        self.cancel: Cancel | None = None
        self._readable = select.poll()
        self._readable.register(self, select.POLLIN)
        self._writable = select.poll()
        self._writable.register(self, select.POLLOUT)

    @classmethod
    def instead_of(cls, plain: socket.socket) -> WatchedSocket:
        """Take over an open socket."""
        return cls(fileno=plain.detach())

    def watch(self, deadline: float, cancel: Cancel | None) -> None:
        """For the calls that follow."""
        self.deadline, self.cancel = deadline, cancel

    def recv(self, size: int, flags: int = 0, /) -> bytes:
        self._wait(self._readable)
        data = super().recv(size, flags)
        if not data:
            raise ConnectionResetError(errno.ECONNRESET, "it closed the connection")
        return data

    def recv_into(self, buffer: Any, size: int = 0, flags: int = 0, /) -> int:
        self._wait(self._readable)
        return super().recv_into(buffer, size, flags)

    def sendall(self, data: Any, flags: int = 0, /) -> None:
        rest = memoryview(data)
        while rest:
            self._wait(self._writable)
            with suppress(BlockingIOError):
                rest = rest[super().send(rest, flags | socket.MSG_DONTWAIT) :]

    def _wait(self, ready: select.poll) -> None:
        # Also checked before waiting: if bytes keep arriving one by one, there is never a wait.
        if self.cancel is not None and self.cancel():
            raise Stopped
        try:
            wait_until_ready(ready, self.deadline, self.cancel)
        except ChannelTimeout as error:
            raise TimeoutError(errno.ETIMEDOUT, os.strerror(errno.ETIMEDOUT)) from error


def part_with(connection: socket.socket) -> None:
    """Close a socket so that the last message still reaches the instrument.

    Closing a socket with unread bytes resets the connection. Many systems then discard what the
    other end has not read yet, so OFF would be lost. So the end is announced first, and all bytes
    that have arrived are read.
    """
    with suppress(OSError):
        connection.shutdown(socket.SHUT_WR)
        for _ in range(64):
            # Not the method of a WatchedSocket, which would wait.
            if not socket.socket.recv(connection, 1 << 18, socket.MSG_DONTWAIT):
                break
    connection.close()
