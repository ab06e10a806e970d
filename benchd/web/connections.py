"""Connections: whoever keeps one without using it loses it, and nobody can take them all.

A client that opens connections and sends nothing, or half a request, costs it nothing. Where all
places are taken, the connection that has waited longest for a whole request makes room for the
new one; it is taken from the address that holds most of them. So `withdraw` always gets in.
"""

from __future__ import annotations

import asyncio
import socket
import struct
from collections import Counter
from collections.abc import Iterable
from typing import Any, cast

from uvicorn.protocols.http.h11_impl import H11Protocol

from benchd.web.settings import HttpSettings

SWEEPS_IN_A_TIMEOUT = 8


def protocol_for(settings: HttpSettings) -> type[H11Protocol]:
    """The protocol class that one server gives to its connections."""

    class Doorway(_Doorway):
        limits = settings

    return Doorway


class _Doorway(H11Protocol):
    """One connection, and since when it has been waiting for what.

    waiting_since: when it began to wait for a whole request, seconds of the loop's clock.
    stuck_since: since when the client has not read what was sent to it; None while it reads.
    """

    limits: HttpSettings
    waiting_since: float
    stuck_since: float | None = None

    def connection_made(self, transport: asyncio.Transport) -> None:  # type: ignore[override]
        super().connection_made(transport)
        self.waiting_since = self.loop.time()
        others = cast("set[_Doorway]", self.connections) - {self}
        if len(others) >= self.limits.connection_limit:
            # Nobody may be left to make room where all of them are being answered.
            leaver = next(iter(_least_deserving(others)), self)
            leaver.drop()

    def on_response_complete(self) -> None:
        self.waiting_since = self.loop.time()
        super().on_response_complete()

    def pause_writing(self) -> None:
        super().pause_writing()
        self.stuck_since = self.loop.time()

    def resume_writing(self) -> None:
        super().resume_writing()
        self.stuck_since = None

    @property
    def waits(self) -> bool:
        """True while no whole request has come that is not answered yet."""
        cycle = self.cycle
        return cycle is None or cycle.response_complete or cycle.more_body

    def drop(self) -> None:
        """End the connection at once, and forget what its client has not read.

        Otherwise the kernel would go on offering that to a client that does not read.
        """
        connection = self.transport.get_extra_info("socket")
        if connection is not None:
            connection.setsockopt(socket.SOL_SOCKET, socket.SO_LINGER, _AT_ONCE)
        self.transport.abort()

    def end_if_late(self, now: float) -> None:
        """End the connection where its client has taken too long to ask, or to read."""
        if self.stuck_since is not None and now - self.stuck_since > self.limits.write_timeout_s:
            self.drop()
        elif (
            (self.cycle is None or self.cycle.response_complete)
            and now - self.waiting_since > self.limits.header_timeout_s
            and not self.transport.is_closing()
        ):
            self.transport.write(_TOO_SLOW)
            self.transport.close()


_AT_ONCE = struct.pack("ii", 1, 0)  # linger for 0 s
_TOO_SLOW = (
    b"HTTP/1.1 408 Request Timeout\r\ncontent-type: application/json\r\nconnection: close\r\n"
    b"content-length: 106\r\n\r\n"
    b'{"family": "refused", "where": "HTTP 408", "message": "the request did not arrive in time.", '
    b'"advice": ""}'
)


def _least_deserving(connections: Iterable[_Doorway]) -> list[_Doorway]:
    """Those that could make room: of the address with most of them, longest waiting first."""
    idle = [one for one in connections if one.waits or one.stuck_since is not None]
    held = Counter(_address(one) for one in idle)
    return sorted(idle, key=lambda one: (-held[_address(one)], one.waiting_since))


def _address(connection: _Doorway) -> str:
    return connection.client[0] if connection.client else ""


async def end_late_connections(connections: Any, settings: HttpSettings) -> None:
    """End late connections, for ever. `connections`: the server's own set."""
    loop = asyncio.get_running_loop()
    shortest = min(settings.header_timeout_s, settings.write_timeout_s)
    while True:
        await asyncio.sleep(shortest / SWEEPS_IN_A_TIMEOUT)
        now = loop.time()
        for connection in list(connections):
            connection.end_if_late(now)
