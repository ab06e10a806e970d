"""Raw SCPI over TCP: newline-terminated messages, blocks anywhere."""

from __future__ import annotations

import asyncio
import socket
from typing import cast

from simulators.transports.base import StreamFront
from simulators.transports.session import Session

_INPUT_BYTES = 1 << 16
_OUTPUT_BUFFER_BYTES = 1 << 20


class SocketLink(asyncio.BufferedProtocol):
    """One TCP connection.

    It hands the event loop one buffer to read into, again and again: otherwise the loop sets 256 kB
    aside for every message, which costs as much as carrying it out.
    """

    def __init__(self, front: SocketFront) -> None:
        self._front = front
        self._buffer = memoryview(bytearray(_INPUT_BYTES))
        self._transport: asyncio.Transport | None = None
        self._session: Session | None = None

    def connection_made(self, transport: asyncio.BaseTransport) -> None:
        """A client has connected."""
        self._transport = cast(asyncio.Transport, transport)
        connection = transport.get_extra_info("socket")
        connection.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)
        self._transport.set_write_buffer_limits(high=_OUTPUT_BUFFER_BYTES)
        self._session = self._front.open_session(self)

    def get_buffer(self, sizehint: int) -> memoryview:
        """Where to put bytes from the client."""
        return self._buffer

    def buffer_updated(self, nbytes: int) -> None:
        """Bytes from the client."""
        if self._session is not None:
            self._session.receive(bytes(self._buffer[:nbytes]))

    def connection_lost(self, exc: Exception | None) -> None:
        """The client, or a fault, has closed the connection."""
        if self._session is not None:
            self._session.close()
            self._front.forget(self, self._session)
            self._session = None

    def pause_writing(self) -> None:
        """The client does not read: execute nothing more until it does."""
        if self._session is not None:
            self._session.block(True)

    def resume_writing(self) -> None:
        """The client reads again."""
        if self._session is not None:
            self._session.block(False)

    def write(self, data: bytes, *, end: bool) -> None:
        """Send reply bytes; a reply's end is its newline, nothing else marks it.

        To a client that has gone nothing is sent: the event loop would complain of each reply.
        """
        if self._transport is not None and not self._transport.is_closing():
            self._transport.write(data)

    def hang_up(self) -> None:
        """Close the connection after what was sent before."""
        if self._transport is not None:
            self._transport.close()

    def half_close(self) -> None:
        """End the way out; bytes from the client are taken as before."""
        if self._transport is not None:
            self._transport.write_eof()

    def abort(self) -> None:
        """Close the connection now."""
        if self._transport is not None:
            self._transport.abort()

    def hold_input(self, hold: bool) -> None:
        """Leave bytes in the network's buffers, or take them again."""
        if self._transport is None or self._transport.is_closing():
            return
        if hold:
            self._transport.pause_reading()
        else:
            self._transport.resume_reading()


class SocketFront(StreamFront):
    """An instrument on a raw TCP port; any number of clients at once."""

    def __init__(self, *arguments: object) -> None:
        super().__init__(*arguments)  # type: ignore[arg-type]
        self._links: set[SocketLink] = set()

    @property
    def resource(self) -> str:
        """The VISA resource string a client opens."""
        return f"TCPIP::{self.host}::{self.port}::SOCKET"

    def make_protocol(self) -> asyncio.BaseProtocol:
        """A link for a new connection."""
        return SocketLink(self)

    def open_session(self, link: SocketLink) -> Session:
        """A session for a link that has just connected."""
        session = Session(self.instrument, self.clock, self.faults, link)
        self._links.add(link)
        self.sessions.add(session)
        return session

    def forget(self, link: SocketLink, session: Session) -> None:
        """A connection is gone."""
        self._links.discard(link)
        self.sessions.discard(session)

    def cut(self) -> None:
        """Abort every connection."""
        for link in list(self._links):
            link.abort()
