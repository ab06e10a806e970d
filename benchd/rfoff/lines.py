"""Bytes to and from one instrument over a raw socket or a serial line; nothing blocks for long."""

from __future__ import annotations

import os
import re
import select
import socket
import time
from collections.abc import Mapping, Sequence
from contextlib import suppress
from types import MappingProxyType
from typing import Any

from benchd.rfoff.ownership import split_host
from drivers.connecting import connected_socket

_PORT = re.compile(r"::([0-9]{1,5})::SOCKET", re.IGNORECASE)
_SERIAL = re.compile(r"ASRL(/.+?)(::INSTR)?", re.IGNORECASE)
_SLICE_S = 0.02


class Line:
    """An open connection. `farewell` ends it so that what was sent still arrives."""

    def __init__(
        self, descriptor: int, connection: socket.socket | None = None, *, end: bytes = b"\n"
    ) -> None:
        self._descriptor = descriptor
        self._connection = connection
        self._poll = select.poll()
        self._data = bytearray()
        self._end = end

    def write(self, data: bytes, deadline: float) -> bool:
        """Send; False if not all could be sent in time. Raises OSError."""
        rest = memoryview(data)
        while rest:
            self._poll.register(self._descriptor, select.POLLOUT)
            if not self._poll.poll(_SLICE_S * 1000):
                if time.monotonic() >= deadline:
                    return False
                continue
            with suppress(BlockingIOError):
                rest = rest[os.write(self._descriptor, rest) :]
        return True

    def line(self, deadline: float) -> str | None:
        """The next line, or None if there was none in time. Raises OSError, also at the end."""
        while (end := self._data.find(self._end)) < 0:
            left_s = deadline - time.monotonic()
            if left_s <= 0.0:
                return None
            del self._data[:-65536]  # bytes without end are no reply
            self._poll.register(self._descriptor, select.POLLIN)
            if not self._poll.poll(left_s * 1000.0):
                return None
            with suppress(BlockingIOError):
                data = os.read(self._descriptor, 65536)
                if not data:
                    raise ConnectionResetError("it closed the connection")
                self._data += data
        text = self._data[:end].decode("latin-1").strip("\r\n")
        del self._data[: end + 1]
        return text

    def farewell(self) -> None:
        """Close. What is unread is read first: a socket closed over unread bytes is reset, and
        the instrument may then throw away what it has not read either."""
        with suppress(OSError):
            if self._connection is None:
                os.close(self._descriptor)
                return
            self._connection.shutdown(socket.SHUT_WR)
            for _ in range(64):
                if not os.read(self._descriptor, 65536):
                    break
        if self._connection is not None:
            self._connection.close()


def is_plain(address: str) -> bool:
    """Whether this module can reach the address by itself."""
    return _PORT.search(address) is not None or _SERIAL.fullmatch(address.strip()) is not None


def open_line(
    address: str,
    resolved: Sequence[str],
    deadline: float,
    *,
    serial: Mapping[str, Any] = MappingProxyType({}),
    terminator: str = "\n",
) -> Line:
    """Open a connection before the deadline (time.monotonic()). Raises OSError.

    serial: settings of a serial line, as `drivers.visa.SerialSettings` has them. terminator: what
    ends a message; where it is a carriage return alone, replies end so too.
    resolved: IP addresses to use besides those that the name has now. Where there are any, the
    name itself is not looked up: a name server may be slow or gone.
    """
    end = b"\r" if terminator == "\r" else b"\n"
    device = _SERIAL.fullmatch(address.strip())
    if device is not None:
        return Line(_serial(device.group(1), serial), end=end)
    port, parts = _PORT.search(address), split_host(address)
    if port is None or parts is None or int(port.group(1)) > 65535:
        raise OSError(f"{address} is no address of a raw socket")
    host = parts[1].removeprefix("[").removesuffix("]")
    hosts = list(resolved) or [host]
    connection = connected_socket(hosts, int(port.group(1)), deadline)
    connection.setblocking(False)
    return Line(connection.fileno(), connection, end=end)


def _serial(device: str, wanted: Mapping[str, Any]) -> int:
    """A serial line, set as `drivers.link` sets it: 9600 baud, 8 data bits, no parity, one stop
    bit and no flow control where nothing else is wanted."""
    import termios

    speed = getattr(termios, f"B{wanted.get('baud_rate', 9600)}", None)
    if speed is None:
        raise OSError(f"this computer knows no {wanted['baud_rate']} baud")
    control = termios.CREAD | termios.CLOCAL
    control |= termios.CS7 if wanted.get("data_bits") == 7 else termios.CS8
    parity = wanted.get("parity", "none")
    if parity != "none":
        control |= termios.PARENB | (termios.PARODD if parity == "odd" else 0)
    if wanted.get("stop_bits") == 2:
        control |= termios.CSTOPB
    flow = wanted.get("flow_control", "none")
    if flow == "rts-cts":
        control |= getattr(termios, "CRTSCTS", 0)
    descriptor = os.open(device, os.O_RDWR | os.O_NOCTTY | os.O_NONBLOCK)
    try:
        settings = termios.tcgetattr(descriptor)
        settings[0] = termios.IGNPAR | (termios.IXON | termios.IXOFF if flow == "xon-xoff" else 0)
        settings[1] = 0
        settings[2] = control
        settings[3] = 0
        settings[4] = settings[5] = speed
        settings[6][termios.VMIN] = 0
        settings[6][termios.VTIME] = 0
        termios.tcsetattr(descriptor, termios.TCSANOW, settings)
    except (termios.error, OSError) as error:
        os.close(descriptor)
        raise OSError(f"{device} is no serial line: {error}") from error
    return descriptor
