"""Bytes to and from one session, every wait bounded and cancellable.

Three kinds: a raw socket, a serial line (both streams of bytes), and message-based sessions
(HiSLIP, VXI-11, others), which give whole response messages. Waiting is done in slices of 50 ms,
so that a stop is obeyed within 100 ms and a closed peer is seen at once instead of at the timeout
with the processor spinning. `poll()` is used throughout: `select()` fails above 1,023 descriptors.

On a raw socket benchd moves the bytes itself, on the session's own socket: pyvisa-py's read would
spin if the peer closed in the middle of a reply, and cannot be cancelled there.
"""

from __future__ import annotations

import select
import socket
import time
from collections.abc import Callable
from typing import Protocol, cast

import pyvisa
from pyvisa.constants import StatusCode
from pyvisa.resources import SerialInstrument

from drivers.errors import Stopped
from drivers.visa import Session, close_session

Cancel = Callable[[], bool]

SLICE_S = 0.05
_CHUNK = 1 << 18
_VXI11_IO_TIMEOUT = 15


class ChannelTimeout(Exception):
    """Nothing, or no more, arrived in time; or nothing more could be sent in time."""


class ChannelClosed(Exception):
    """The connection is gone; the text says how that was seen."""


class Channel(Protocol):
    """What a link needs of a session."""

    message_based: bool

    def send(self, data: bytes, timeout_s: float, cancel: Cancel | None) -> None:
        """Send all bytes. Raises ChannelTimeout, ChannelClosed, and Stopped on a raw socket."""

    def receive(self, deadline: float, cancel: Cancel | None) -> bytes:
        """Some bytes of a stream, or one whole message.

        deadline: on the clock of time.monotonic(). Raises ChannelTimeout, ChannelClosed, Stopped.
        """

    def arrived(self) -> bytes:
        """Bytes of a stream that came unasked. Raises ChannelClosed if the peer has gone."""

    def close(self, *, abandon: bool) -> None:
        """End the session."""


def open_channel(session: Session) -> Channel:
    """The channel for a session."""
    if session.transport == "socket":
        return SocketChannel(session)
    if session.transport == "serial":
        return SerialChannel(session)
    if session.transport == "vxi11":
        return Vxi11Channel(session)
    return MessageChannel(session)


class SocketChannel:
    """A raw TCP socket: a stream of bytes."""

    message_based = False

    def __init__(self, session: Session) -> None:
        self._session = session
        self._socket = cast(socket.socket, session.socket)
        self._readable = select.poll()
        self._readable.register(self._socket, select.POLLIN)

    def send(self, data: bytes, timeout_s: float, cancel: Cancel | None) -> None:
        try:
            sent = self._socket.send(data, socket.MSG_DONTWAIT)
        except BlockingIOError:
            sent = 0
        except OSError as error:
            raise ChannelClosed(_reason(error)) from error
        if sent < len(data):
            self._send_rest(memoryview(data)[sent:], timeout_s, cancel)

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
            except BlockingIOError:
                continue
            except OSError as error:
                raise ChannelClosed(_reason(error)) from error

    def receive(self, deadline: float, cancel: Cancel | None) -> bytes:
        wait_until_ready(self._readable, deadline, cancel)
        try:
            data = self._socket.recv(_CHUNK)
        except OSError as error:
            raise ChannelClosed(_reason(error)) from error
        if not data:
            raise ChannelClosed("it closed the connection")
        return data

    def arrived(self) -> bytes:
        if not self._readable.poll(0):
            return b""
        return self.receive(time.monotonic(), None)

    def close(self, *, abandon: bool) -> None:
        close_session(self._session, abandon=abandon)


class SerialChannel:
    """A serial line: a stream of bytes without connection."""

    message_based = False

    def __init__(self, session: Session) -> None:
        self._session = session
        self._resource = cast(SerialInstrument, session.resource)
        self._readable = None
        if session.descriptor is not None:
            self._readable = select.poll()
            self._readable.register(session.descriptor, select.POLLIN)

    def send(self, data: bytes, timeout_s: float, cancel: Cancel | None) -> None:
        try:
            self._resource.write_raw(data)
        except pyvisa.errors.VisaIOError as error:
            raise ChannelTimeout("the line takes no more bytes") from error
        except (OSError, ValueError) as error:
            raise ChannelClosed(_reason(error)) from error

    def receive(self, deadline: float, cancel: Cancel | None) -> bytes:
        while True:
            data = self.arrived()
            if data:
                return data
            if self._readable is not None:
                wait_until_ready(self._readable, deadline, cancel)
                continue
            _check(deadline, cancel)
            time.sleep(0.001)

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
        try:
            return self._resource.read_raw()
        except (OSError, RuntimeError, ValueError, AssertionError) as error:
            raise _closed_or_late(error) from error
        except pyvisa.errors.VisaIOError as error:
            raise _from_visa(error) from error

    def arrived(self) -> bytes:
        """Nothing: a message session discards what was not asked for by itself."""
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
    An instrument that has died is seen about one second after its slice, which is what pyvisa-py
    adds to the time of every call.
    """

    def receive(self, deadline: float, cancel: Cancel | None) -> bytes:
        read_part = cast(Callable[[float], tuple[int, bool, bytes]], self._session.read_part)
        message = bytearray()
        while True:
            self.arrived()
            try:
                error, ended, data = read_part(SLICE_S)
            # pyvisa-py's RPC errors are bare exceptions; each means that the call failed.
            except Exception as trouble:
                raise _closed_or_late(trouble) from trouble
            message += data
            if ended:
                return bytes(message)
            if error not in (0, _VXI11_IO_TIMEOUT):
                raise ChannelClosed(f"VXI-11 error {error}")
            _check(deadline, cancel)


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
        _check(deadline, cancel)


def _check(deadline: float, cancel: Cancel | None) -> None:
    if cancel is not None and cancel():
        raise Stopped
    if time.monotonic() >= deadline:
        raise ChannelTimeout


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
