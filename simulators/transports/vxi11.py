"""VXI-11 core channel (VXIbus Consortium, TCP/IP Instrument Protocol, revision 1.0).

The port is given in the resource string, so there is no port mapper. Served: create and destroy
link, write, read, status byte, device clear, remote and local. Locks, triggers, service requests
and the abort channel are not offered and say so.
"""

from __future__ import annotations

import asyncio
import socket
import struct
from collections import deque
from typing import cast

from simulators.scpi import ScpiError
from simulators.transports import rpc
from simulators.transports.base import StreamFront
from simulators.transports.session import Session

_CORE_PROGRAM, _CORE_VERSION = 0x0607AF, 1
_NULL, _CREATE_LINK, _WRITE, _READ, _READ_STATUS, _TRIGGER, _CLEAR = 0, 10, 11, 12, 13, 14, 15
_REMOTE, _LOCAL, _DESTROY_LINK = 16, 17, 23
_NOT_OFFERED = (_TRIGGER, 18, 19, 20, 22, 25, 26)

_OK, _NOT_ACCESSIBLE, _INVALID_LINK, _NOT_SUPPORTED, _TIMEOUT = 0, 3, 4, 8, 15
_FLAG_END, _FLAG_TERMINATOR = 0x08, 0x80
_REASON_COUNT, _REASON_CHARACTER, _REASON_END = 1, 2, 4
_LARGEST_WRITE = 65536


class VxiLink:
    """One link: its session, the message being collected and the replies not read yet."""

    def __init__(self, front: VxiFront, connection: Connection) -> None:
        self._front = front
        self._connection = connection
        self._incoming = b""
        self._waiting: deque[bytes] = deque()
        self._outgoing: deque[tuple[bytes, bool]] = deque()
        self.session = Session(front.instrument, front.clock, front.faults, self)
        self.session.on_idle = self._run_next

    def write(self, data: bytes, *, end: bool) -> None:
        """A reply, or a part of it, is ready to be read."""
        self._outgoing.append((data, end))
        self._connection.output_ready(self)

    def hang_up(self) -> None:
        """Close the connection."""
        self._connection.abort()

    def hold_input(self, hold: bool) -> None:
        """Stop or resume taking bytes from the connection."""
        self._connection.hold_input(hold)

    def take(self, data: bytes, *, end: bool) -> None:
        """Bytes of a device_write."""
        self._incoming += data
        if end or self._incoming.endswith(b"\n"):
            self._waiting.append(self._incoming)
            self._incoming = b""
            self._run_next()

    def _run_next(self) -> None:
        while self._waiting and not self.session.busy:
            if self._outgoing:
                # IEEE 488.2-1992, 6.3.2.3: a new message before the reply was read.
                self._outgoing.clear()
                self._front.instrument.status.report(ScpiError(-410))
            self.session.receive(self._waiting.popleft(), end=True)

    @property
    def has_output(self) -> bool:
        """Whether there is something to read."""
        return bool(self._outgoing)

    @property
    def expects_output(self) -> bool:
        """Whether something may still come."""
        return self.session.busy or bool(self._waiting)

    def read(self, count: int, terminator: int | None) -> tuple[int, bytes]:
        """Up to `count` bytes of the reply, with the reasons why they end there."""
        data, end = self._outgoing.popleft()
        reason = 0
        stop = len(data)
        if terminator is not None and (found := data.find(terminator)) >= 0:
            stop = found + 1
        taken, rest = data[: min(stop, count)], data[min(stop, count) :]
        if terminator is not None and taken.endswith(bytes([terminator])):
            reason |= _REASON_CHARACTER
        if len(taken) == count:
            reason |= _REASON_COUNT
        if rest:
            self._outgoing.appendleft((rest, end))
        elif end:
            reason |= _REASON_END
        return reason, taken

    def clear(self) -> None:
        """Device clear."""
        self._incoming = b""
        self._waiting.clear()
        self._outgoing.clear()
        self.session.clear()


class Connection(asyncio.Protocol):
    """One TCP connection; calls on it are answered one after the other."""

    def __init__(self, front: VxiFront) -> None:
        self._front = front
        self._records = rpc.RecordReader()
        self._transport: asyncio.Transport | None = None
        self._links: dict[int, VxiLink] = {}
        self._calls: deque[rpc.Call] = deque()
        self._reading: tuple[rpc.Call, VxiLink, int, int | None] | None = None
        self._timer: asyncio.TimerHandle | None = None

    def connection_made(self, transport: asyncio.BaseTransport) -> None:
        """A client has connected."""
        self._transport = cast(asyncio.Transport, transport)
        connection = transport.get_extra_info("socket")
        connection.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)
        self._front.connections.add(self)

    def connection_lost(self, exc: Exception | None) -> None:
        """All links of this connection are gone."""
        self._front.connections.discard(self)
        self._stop_reading()
        for link in self._links.values():
            self._front.sessions.discard(link.session)
            link.session.close()
        self._links.clear()

    def data_received(self, data: bytes) -> None:
        """Bytes from the client."""
        try:
            self._calls.extend(rpc.Call.decode(record) for record in self._records.feed(data))
        except rpc.BadCallError:
            self.abort()
            return
        self._answer_calls()

    def abort(self) -> None:
        """Close now."""
        if self._transport is not None:
            self._transport.abort()

    def hold_input(self, hold: bool) -> None:
        """Leave bytes in the network's buffers, or take them again."""
        if self._transport is not None and not self._transport.is_closing():
            if hold:
                self._transport.pause_reading()
            else:
                self._transport.resume_reading()

    def output_ready(self, link: VxiLink) -> None:
        """A link has something to read: maybe a read waits for it."""
        if self._reading is not None and self._reading[1] is link:
            call, _, count, terminator = self._reading
            self._stop_reading()
            self._deliver(call, link, count, terminator)
            self._answer_calls()

    # -- calls ------------------------------------------------------------------------------

    def _send(self, record: bytes) -> None:
        if self._transport is not None and not self._transport.is_closing():
            self._transport.write(record)

    def _answer_calls(self) -> None:
        while self._calls and self._reading is None:
            call = self._calls.popleft()
            if call.program != _CORE_PROGRAM:
                self._send(call.reply(status=rpc.PROGRAM_UNAVAILABLE))
            elif call.version != _CORE_VERSION:
                versions = struct.pack("!2I", _CORE_VERSION, _CORE_VERSION)
                self._send(call.reply(versions, status=rpc.PROGRAM_MISMATCH))
            else:
                try:
                    self._answer(call)
                except rpc.BadArgumentsError:
                    self._send(call.reply(status=rpc.GARBAGE))

    def _answer(self, call: rpc.Call) -> None:
        if call.procedure == _NULL:
            self._send(call.reply())
        elif call.procedure == _CREATE_LINK:
            self._create_link(call)
        elif call.procedure in _NOT_OFFERED:
            # Their results all begin with the error; device_docmd adds empty data.
            padding = bytes(4) if call.procedure == 22 else b""
            self._send(call.reply(struct.pack("!i", _NOT_SUPPORTED) + padding))
        elif call.procedure in (
            _WRITE,
            _READ,
            _READ_STATUS,
            _CLEAR,
            _REMOTE,
            _LOCAL,
            _DESTROY_LINK,
        ):
            self._answer_on_link(call)
        else:
            self._send(call.reply(status=rpc.PROCEDURE_UNAVAILABLE))

    def _create_link(self, call: rpc.Call) -> None:
        arguments = call.arguments
        for _ in ("client id", "lock device", "lock timeout"):
            arguments.unsigned()
        if arguments.opaque().lower() != b"inst0":
            self._send(call.reply(struct.pack("!iiII", _NOT_ACCESSIBLE, 0, 0, 0)))
            return
        number = self._front.next_link_number()
        link = self._links[number] = VxiLink(self._front, self)
        self._front.sessions.add(link.session)
        self._send(call.reply(struct.pack("!iiII", _OK, number, 0, _LARGEST_WRITE)))

    def _answer_on_link(self, call: rpc.Call) -> None:
        number = call.arguments.integer()
        link = self._links.get(number)
        if link is None:
            padding = {_WRITE: bytes(4), _READ: bytes(8), _READ_STATUS: bytes(4)}
            results = struct.pack("!i", _INVALID_LINK) + padding.get(call.procedure, b"")
            self._send(call.reply(results))
        elif call.procedure == _WRITE:
            self._write(call, link)
        elif call.procedure == _READ:
            self._read(call, link)
        elif call.procedure == _READ_STATUS:
            byte = self._front.instrument.status_byte(message_available=link.has_output)
            self._send(call.reply(struct.pack("!iI", _OK, byte)))
        else:
            if call.procedure == _CLEAR:
                link.clear()
            elif call.procedure == _DESTROY_LINK:
                self._front.sessions.discard(link.session)
                link.session.close()
                del self._links[number]
            self._send(call.reply(struct.pack("!i", _OK)))

    def _write(self, call: rpc.Call, link: VxiLink) -> None:
        arguments = call.arguments
        for _ in ("io timeout", "lock timeout"):
            arguments.unsigned()
        flags, data = arguments.integer(), arguments.opaque()
        self._send(call.reply(struct.pack("!iI", _OK, len(data))))
        link.take(data, end=bool(flags & _FLAG_END))

    def _read(self, call: rpc.Call, link: VxiLink) -> None:
        arguments = call.arguments
        count, timeout_ms, _ = (arguments.unsigned() for _ in range(3))
        flags, character = arguments.integer(), arguments.integer()
        terminator = character & 0xFF if flags & _FLAG_TERMINATOR else None
        if link.has_output:
            self._deliver(call, link, count, terminator)
            return
        if not link.expects_output:
            # IEEE 488.2-1992, 6.3.2.2: asked to talk without having been asked anything.
            self._front.instrument.status.report(ScpiError(-420))
        self._reading = (call, link, count, terminator)
        loop = asyncio.get_running_loop()
        self._timer = loop.call_later(timeout_ms / 1000, self._give_up)

    def _deliver(self, call: rpc.Call, link: VxiLink, count: int, terminator: int | None) -> None:
        reason, data = link.read(count, terminator)
        self._send(call.reply(struct.pack("!ii", _OK, reason) + rpc.opaque(data)))

    def _give_up(self) -> None:
        if self._reading is not None:
            call = self._reading[0]
            self._stop_reading()
            self._send(call.reply(struct.pack("!ii", _TIMEOUT, 0) + rpc.opaque(b"")))
            self._answer_calls()

    def _stop_reading(self) -> None:
        self._reading = None
        if self._timer is not None:
            self._timer.cancel()
            self._timer = None


class VxiFront(StreamFront):
    """An instrument on a VXI-11 core channel; any number of clients at once."""

    def __init__(self, *arguments: object) -> None:
        super().__init__(*arguments)  # type: ignore[arg-type]
        self.connections: set[Connection] = set()
        self._last_link = 0

    @property
    def resource(self) -> str:
        """The VISA resource string a client opens."""
        return f"TCPIP::{self.host},{self.port}::inst0::INSTR"

    def make_protocol(self) -> asyncio.Protocol:
        """A new connection."""
        return Connection(self)

    def next_link_number(self) -> int:
        """A link number not used before."""
        self._last_link += 1
        return self._last_link

    def cut(self) -> None:
        """Abort every connection."""
        for connection in list(self.connections):
            connection.abort()
