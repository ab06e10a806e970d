"""Making a TCP connection as soon as the other end can be reached.

The operating system repeats a lost first packet only after 1, 3 and 7 s, so an instrument that is
back would be found seconds late. Here a new attempt starts twice a second while earlier ones still
wait, and the first that succeeds is used. Waiting ends at once when it is stopped.

This module imports nothing heavy: the program that switches RF off in a hurry uses it.
"""

from __future__ import annotations

import errno
import os
import select
import socket
import time
from collections.abc import Callable, Iterable
from contextlib import suppress

from drivers.errors import Stopped

AGAIN_S = 0.5
_SLICE_S = 0.05
_PENDING = (errno.EINPROGRESS, errno.EWOULDBLOCK, errno.EALREADY)


def connected_socket(
    hosts: Iterable[str],
    port: int,
    deadline: float,
    cancel: Callable[[], bool] | None = None,
) -> socket.socket:
    """A connected, blocking socket without Nagle's algorithm, which delays short messages.

    hosts: names and IP addresses, all tried at the same time. deadline: on time.monotonic().
    Raises OSError (refused by all, or TimeoutError) and Stopped.
    """
    places, trouble = _places(hosts, port)
    pending: dict[int, socket.socket] = {}
    ready = select.poll()
    again = 0.0
    try:
        while True:
            now = time.monotonic()
            if now >= again:
                for family, place in places:
                    trouble = _begin(family, place, pending, ready) or trouble
                again = now + AGAIN_S
            if not pending:
                raise trouble or OSError(errno.EHOSTUNREACH, os.strerror(errno.EHOSTUNREACH))
            for descriptor, _ in ready.poll(_SLICE_S * 1000.0):
                ready.unregister(descriptor)
                connection = pending.pop(descriptor)
                code = connection.getsockopt(socket.SOL_SOCKET, socket.SO_ERROR)
                if code == 0 and _is_itself(connection):
                    code = errno.ECONNREFUSED
                if code == 0:
                    connection.setblocking(True)
                    connection.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)
                    return connection
                connection.close()
                trouble = OSError(code, os.strerror(code))
            if cancel is not None and cancel():
                raise Stopped
            if time.monotonic() >= deadline:
                raise TimeoutError(errno.ETIMEDOUT, os.strerror(errno.ETIMEDOUT))
    finally:
        for connection in pending.values():
            connection.close()


def _places(
    hosts: Iterable[str], port: int
) -> tuple[list[tuple[socket.AddressFamily, object]], OSError | None]:
    found: list[tuple[socket.AddressFamily, object]] = []
    trouble: OSError | None = None
    for host in hosts:
        try:
            for entry in socket.getaddrinfo(host, port, type=socket.SOCK_STREAM):
                if (entry[0], entry[4]) not in found:
                    found.append((entry[0], entry[4]))
        except OSError as error:
            trouble = error
        except UnicodeError as error:
            trouble = OSError(errno.EINVAL, f"{host!r} is no host name: {error}")
    return found, trouble


def _begin(
    family: socket.AddressFamily,
    place: object,
    pending: dict[int, socket.socket],
    ready: select.poll,
) -> OSError | None:
    connection = None
    try:
        connection = socket.socket(family, socket.SOCK_STREAM)
        connection.setblocking(False)
        code = connection.connect_ex(place)  # type: ignore[arg-type]
    except OSError as error:
        if connection is not None:
            connection.close()
        return error
    if code not in (0, *_PENDING):
        connection.close()
        return OSError(code, os.strerror(code))
    pending[connection.fileno()] = connection
    with suppress(OSError):
        ready.register(connection, select.POLLOUT)
    return None


def _is_itself(connection: socket.socket) -> bool:
    """Whether a socket has connected to itself. That can happen on this computer: if nobody listens
    at a port, the system may choose the same port as the socket's own."""
    with suppress(OSError):
        return bool(connection.getsockname() == connection.getpeername())
    return False
