"""Bytes to and from one session, every wait bounded and cancellable.

Three kinds: a raw socket, a serial line (both streams of bytes), and message-based sessions
(HiSLIP, VXI-11, others), which give whole response messages. Waiting is done in slices of 50 ms,
so that a stop is obeyed within 100 ms and a closed peer is seen at once instead of at the timeout
with the processor spinning. `poll()` is used throughout: `select()` fails above 1,023 descriptors.

On a raw socket benchd moves the bytes itself, on the session's own socket: pyvisa-py's read would
spin if the peer closed in the middle of a reply, and cannot be cancelled there.
"""

from __future__ import annotations

import os
import select
import socket
import struct
import time
from collections.abc import Callable, Sequence
from contextlib import suppress
from typing import Protocol, cast

import pyvisa
from pyvisa.constants import StatusCode
from pyvisa.resources import SerialInstrument

from drivers.errors import Stopped
from drivers.visa import Session, close_session
from drivers.waiting import (
    SLICE_S,
    Cancel,
    ChannelClosed,
    ChannelTimeout,
    WatchedSocket,
    check,
    wait_until_ready,
)

_LEAST_CHUNK = 1 << 11
_MOST_CHUNK = 1 << 20
"""Bytes asked for at once. Python sets aside all of them before anything is read: for a short line
that costs more than the reading. So it begins with few, and asks for more while they are filled."""
_READ_SLICE_S = 0.04
"""How long a blocking read waits at a time, s: below SLICE_S, and a whole number of the system's
ticks, of which it has 100, 250, 300 or 1,000 a second; else it would keep another time."""
_WITHOUT_WAITING = int(socket.MSG_DONTWAIT)
_VXI11_IO_TIMEOUT = 15
_VXI11_GRACE_S = 1.0
_SPOILT = b"~"
"""Sent after a part of a message that cannot be completed any more. Without it, the instrument
would carry out that part at the next newline: `:POW -1` instead of `:POW -10`. No SCPI command ends
with this text, so the instrument reports a command error and does nothing (IEEE 488.2)."""

__all__ = [
    "SLICE_S", "Cancel", "Channel", "ChannelClosed", "ChannelTimeout", "MessageChannel",
    "SerialChannel", "SocketChannel", "Vxi11Channel", "check", "open_channel", "wait_until_ready",
]  # fmt: skip


class Channel(Protocol):
    """The methods of a session that a link uses."""

    message_based: bool

    def send(self, data: bytes, timeout_s: float, cancel: Cancel | None) -> None:
        """Send all bytes. Raises ChannelTimeout, ChannelClosed, and Stopped on a raw socket."""

    def receive(self, deadline: float, cancel: Cancel | None) -> bytes:
        """Some bytes of a stream, or one whole message.

        deadline: on the clock of time.monotonic(). Raises ChannelTimeout, ChannelClosed, Stopped.
        """

    def has_news(self) -> bool:
        """Whether `arrived` must be called to know what came unasked, or whether the peer went."""

    def arrived(self) -> bytes:
        """Bytes of a stream that came unasked. Raises ChannelClosed if the peer has gone."""

    def say_blindly(self, messages: Sequence[bytes], within_s: float) -> None:
        """Send whole messages if that can be done in time; returns nothing and never raises.

        It is meant for messages that end radiation, on a session whose state is unknown.
        """

    def close(self, *, abandon: bool) -> None:
        """End the session."""


def open_channel(session: Session, terminator: bytes = b"\n") -> Channel:
    """The channel for a session. terminator: what ends a message on a stream of bytes."""
    if session.transport == "socket":
        return SocketChannel(session, terminator)
    if session.transport == "serial":
        return SerialChannel(session, terminator)
    if session.transport == "vxi11":
        return Vxi11Channel(session)
    return MessageChannel(session)


class SocketChannel:
    """A raw TCP socket: a stream of bytes."""

    message_based = False

    def __init__(self, session: Session, terminator: bytes = b"\n") -> None:
        self._session = session
        self._terminator = terminator
        self._socket = cast(socket.socket, session.socket)
        self._readable = select.poll()
        self._readable.register(self._socket, select.POLLIN)
        self._unfinished = False
        self._chunk = _LEAST_CHUNK
        self._waits_in_slices = _made_to_wait_in_slices(self._socket)

    def send(self, data: bytes, timeout_s: float, cancel: Cancel | None) -> None:
        try:
            sent = self._socket.send(data, _WITHOUT_WAITING)
        except BlockingIOError:
            sent = 0
        except OSError as error:
            raise ChannelClosed(_reason(error)) from error
        if sent < len(data):
            self._unfinished = self._unfinished or sent > 0
            self._send_rest(memoryview(data)[sent:], timeout_s, cancel)
            self._unfinished = False

    def _send_rest(self, rest: memoryview, timeout_s: float, cancel: Cancel | None) -> None:
        deadline = time.monotonic() + timeout_s
        writable = select.poll()
        writable.register(self._socket, select.POLLOUT)
        while rest:
            try:
                wait_until_ready(writable, deadline, cancel)
            except ChannelTimeout as error:
                raise ChannelTimeout(f"{len(rest)} bytes could not be sent") from error
            try:
                rest = rest[self._socket.send(rest, socket.MSG_DONTWAIT) :]
                self._unfinished = True
            except BlockingIOError:
                continue
            except OSError as error:
                raise ChannelClosed(_reason(error)) from error

    def say_blindly(self, messages: Sequence[bytes], within_s: float) -> None:
        spoilt = _SPOILT + self._terminator if self._unfinished else b""
        with suppress(ChannelClosed, ChannelTimeout):
            self.send(spoilt + b"".join(messages), within_s, None)

    def receive(self, deadline: float, cancel: Cancel | None) -> bytes:
        # Reading that waits by itself saves a call into the system, and that at every reply.
        if not self._waits_in_slices:
            wait_until_ready(self._readable, deadline, cancel)
        while True:
            try:
                data = self._socket.recv(self._chunk)
                break
            except BlockingIOError:
                check(deadline, cancel)
                wait_until_ready(self._readable, deadline, cancel)
            except OSError as error:
                raise ChannelClosed(_reason(error)) from error
        if not data:
            raise ChannelClosed("it closed the connection")
        if len(data) == self._chunk:
            self._chunk = min(8 * self._chunk, _MOST_CHUNK)
        elif self._chunk > _LEAST_CHUNK and len(data) < _LEAST_CHUNK:
            self._chunk = _LEAST_CHUNK
        return data

    def has_news(self) -> bool:
        return bool(self._readable.poll(0))

    def arrived(self) -> bytes:
        if not self._readable.poll(0):
            return b""
        return self.receive(time.monotonic(), None)

    def close(self, *, abandon: bool) -> None:
        close_session(self._session, abandon=abandon)


def _made_to_wait_in_slices(connection: socket.socket) -> bool:
    """Let the system end each wait of a blocking read after 40 ms (BlockingIOError).

    False where the system keeps another time than it was told: its waits might then never end.
    """
    slice_of_time = struct.pack("@ll", 0, round(_READ_SLICE_S * 1e6))
    try:
        connection.setsockopt(socket.SOL_SOCKET, socket.SO_RCVTIMEO, slice_of_time)
        kept = connection.getsockopt(socket.SOL_SOCKET, socket.SO_RCVTIMEO, len(slice_of_time))
    except OSError:
        return False
    return kept == slice_of_time and connection.gettimeout() is None


class SerialChannel:
    """A serial line: a stream of bytes without connection."""

    message_based = False

    def __init__(self, session: Session, terminator: bytes = b"\n") -> None:
        self._session = session
        self._terminator = terminator
        self._resource = cast(SerialInstrument, session.resource)
        self._unfinished = False
        self._readable = None
        if session.descriptor is not None:
            self._readable = select.poll()
            self._readable.register(session.descriptor, select.POLLIN)

    def send(self, data: bytes, timeout_s: float, cancel: Cancel | None) -> None:
        descriptor = self._session.descriptor
        try:
            if descriptor is None:
                self._resource.write_raw(data)
                return
            self._send_to(descriptor, memoryview(data), time.monotonic() + timeout_s, cancel)
        except (ChannelTimeout, pyvisa.errors.VisaIOError) as error:
            raise ChannelTimeout("the line takes no more bytes") from error
        except (OSError, ValueError) as error:
            raise ChannelClosed(_reason(error)) from error

    def _send_to(
        self, descriptor: int, rest: memoryview, deadline: float, cancel: Cancel | None
    ) -> None:
        writable = select.poll()
        writable.register(descriptor, select.POLLOUT)
        while rest:
            wait_until_ready(writable, deadline, cancel)
            with suppress(BlockingIOError):
                rest = rest[os.write(descriptor, rest) :]
                self._unfinished = True
        self._unfinished = False

    def say_blindly(self, messages: Sequence[bytes], within_s: float) -> None:
        spoilt = _SPOILT + self._terminator if self._unfinished else b""
        with suppress(ChannelClosed, ChannelTimeout):
            self.send(spoilt + b"".join(messages), within_s, None)

    def receive(self, deadline: float, cancel: Cancel | None) -> bytes:
        while True:
            data = self.arrived()
            if data:
                return data
            if self._readable is not None:
                wait_until_ready(self._readable, deadline, cancel)
                continue
            check(deadline, cancel)
            time.sleep(0.001)

    def has_news(self) -> bool:
        return True

    def arrived(self) -> bytes:
        try:
            waiting = self._resource.bytes_in_buffer
            if not waiting and self._readable is not None and self._readable.poll(0):
                # Readable without bytes: the adapter was unplugged.
                waiting = self._resource.bytes_in_buffer
                if not waiting:
                    raise ChannelClosed("the serial line was hung up")
            return self._resource.read_bytes(waiting) if waiting else b""
        except (OSError, ValueError, pyvisa.errors.VisaIOError) as error:
            raise ChannelClosed(_reason(error)) from error

    def close(self, *, abandon: bool) -> None:
        close_session(self._session, abandon=abandon)


class MessageChannel:
    """A session that delivers whole messages: HiSLIP, USB, GPIB."""

    message_based = True

    def __init__(self, session: Session) -> None:
        self._session = session
        self._resource = session.resource
        self._readable = None
        if session.socket is not None:
            self._readable = select.poll()
            self._readable.register(session.socket, select.POLLIN)

    def send(self, data: bytes, timeout_s: float, cancel: Cancel | None) -> None:
        self._watch(time.monotonic() + timeout_s, cancel)
        try:
            self._resource.write_raw(data)
        # RuntimeError is what pyvisa-py raises for a connection dropped under HiSLIP.
        except (OSError, RuntimeError, ValueError) as error:
            raise _closed_or_late(error) from error
        except pyvisa.errors.VisaIOError as error:
            raise _from_visa(error) from error

    def receive(self, deadline: float, cancel: Cancel | None) -> bytes:
        if self._readable is not None:
            wait_until_ready(self._readable, deadline, cancel)
        self._watch(deadline, cancel)
        try:
            return self._resource.read_raw()
        except (OSError, RuntimeError, ValueError, AssertionError) as error:
            raise _closed_or_late(error) from error
        except pyvisa.errors.VisaIOError as error:
            raise _from_visa(error) from error

    def say_blindly(self, messages: Sequence[bytes], within_s: float) -> None:
        # Where pyvisa itself waits, its waits cannot be shortened.
        with suppress(Exception):
            for message in messages:
                self.send(message, within_s, None)

    def _watch(self, deadline: float, cancel: Cancel | None) -> None:
        if isinstance(self._session.socket, WatchedSocket):
            self._session.socket.watch(deadline, cancel)

    def has_news(self) -> bool:
        return True

    def arrived(self) -> bytes:
        """Nothing: a message session itself discards bytes that were not asked for."""
        connection = self._session.socket
        # Polled first: on a socket with a timeout even MSG_DONTWAIT waits.
        if connection is not None and self._readable is not None and self._readable.poll(0):
            try:
                gone = not connection.recv(1, socket.MSG_PEEK | socket.MSG_DONTWAIT)
            except OSError as error:
                raise ChannelClosed(_reason(error)) from error
            if gone:
                raise ChannelClosed("it closed the connection")
        return b""

    def close(self, *, abandon: bool) -> None:
        close_session(self._session, abandon=abandon)


class Vxi11Channel(MessageChannel):
    """VXI-11, where reading is a call that the instrument answers.

    The socket tells nothing before the call, so the calls themselves are made in slices of 50 ms.
    """

    def say_blindly(self, messages: Sequence[bytes], within_s: float) -> None:
        write = cast(Callable[[bytes], None], self._session.write_blindly)
        self._watch(time.monotonic() + within_s, None)
        with suppress(Exception):
            for message in messages:
                write(message)

    def receive(self, deadline: float, cancel: Cancel | None) -> bytes:
        read_part = cast(Callable[[float], tuple[int, bool, bytes]], self._session.read_part)
        message = bytearray()
        while True:
            self.arrived()
            # The answer to a slice may come a little after its end.
            self._watch(max(deadline, time.monotonic() + SLICE_S) + _VXI11_GRACE_S, cancel)
            try:
                error, ended, data = read_part(SLICE_S)
            except Stopped:
                raise
            # pyvisa-py's RPC errors are bare exceptions; each means that the call failed.
            except Exception as trouble:
                raise _closed_or_late(trouble) from trouble
            message += data
            if ended:
                return bytes(message)
            if error not in (0, _VXI11_IO_TIMEOUT):
                raise ChannelClosed(f"VXI-11 error {error}")
            check(deadline, cancel)


def _closed_or_late(error: Exception) -> ChannelClosed | ChannelTimeout:
    if isinstance(error, TimeoutError):
        return ChannelTimeout(_reason(error))
    return ChannelClosed(_reason(error))


def _reason(error: Exception) -> str:
    return getattr(error, "strerror", None) or str(error) or type(error).__name__


def _from_visa(error: pyvisa.errors.VisaIOError) -> ChannelClosed | ChannelTimeout:
    if error.error_code == StatusCode.error_timeout:
        return ChannelTimeout(str(error))
    return ChannelClosed(str(error))
