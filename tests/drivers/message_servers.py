"""Minimal HiSLIP and VXI-11 servers for tests: one instrument, one client at a time.

HiSLIP per IVI-6.1 (message layout: "HS", type, control code, parameter, payload length).
VXI-11 per the VXI-11.1 specification over ONC RPC (RFC 5531) with XDR (RFC 4506).
Both are written from memory of these standards and checked by pyvisa-py as the client.
"""

from __future__ import annotations

import struct
import threading
from collections.abc import Callable

from tests.drivers.servers import IDENTITY, Peer, Server

Answer = Callable[[str], bytes | str | None]

_HEADER = struct.Struct("!2sBBIQ")
_INITIALIZE, _INITIALIZE_RESPONSE = 0, 1
_DATA, _DATA_END = 6, 7
_MAX_SIZE, _MAX_SIZE_RESPONSE = 15, 16
_ASYNC_INITIALIZE, _ASYNC_INITIALIZE_RESPONSE = 17, 18


def as_bytes(reply: bytes | str) -> bytes:
    return reply.encode("latin-1") if isinstance(reply, str) else reply


def read_exactly(peer: Peer, count: int) -> bytes:
    data = bytearray()
    while len(data) < count:
        part = peer.connection.recv(count - len(data))
        if not part:
            raise ConnectionResetError
        data += part
    return bytes(data)


def hislip(answer: Answer, *, part_bytes: int = 1 << 20) -> Callable[[Server, Peer], None]:
    """A handler for both channels of a HiSLIP session; replies are cut into `part_bytes`."""

    def handle(server: Server, peer: Peer) -> None:
        text = bytearray()
        while True:
            _, kind, _, parameter, length = _HEADER.unpack(read_exactly(peer, _HEADER.size))
            payload = read_exactly(peer, length)
            if kind == _INITIALIZE:
                peer.send(_HEADER.pack(b"HS", _INITIALIZE_RESPONSE, 0, 0x0100_0007, 0))
            elif kind == _ASYNC_INITIALIZE:
                peer.send(_HEADER.pack(b"HS", _ASYNC_INITIALIZE_RESPONSE, 0, 0, 0))
            elif kind == _MAX_SIZE:
                size = (1 << 20).to_bytes(8)
                peer.send(_HEADER.pack(b"HS", _MAX_SIZE_RESPONSE, 0, 0, len(size)) + size)
            elif kind in (_DATA, _DATA_END):
                text += payload
                if kind == _DATA_END:
                    message = text.decode("latin-1").rstrip("\n")
                    text.clear()
                    server.messages.append(message)
                    reply = IDENTITY + "\n" if message == "*IDN?" else answer(message)
                    if reply is not None:
                        _send_message(peer, as_bytes(reply), parameter, part_bytes)

    return handle


def _send_message(peer: Peer, data: bytes, message_id: int, part_bytes: int) -> None:
    parts = [data[i : i + part_bytes] for i in range(0, len(data), part_bytes)]
    for index, part in enumerate(parts):
        kind = _DATA_END if index == len(parts) - 1 else _DATA
        peer.send(_HEADER.pack(b"HS", kind, 0, message_id, len(part)) + part)


_CREATE_LINK, _WRITE, _READ, _DESTROY_LINK = 10, 11, 12, 23
_TIMEOUT_ERROR = 15
_END_FLAG, _REQUEST_COUNT_REASON, _END_REASON = 8, 1, 4


class Vxi11:
    """A VXI-11 core channel.

    answer: replies by message; may return None for silence.
    part_bytes: the most that one read call returns.
    dead: once set, calls are no longer answered at all.
    """

    def __init__(self, answer: Answer, *, part_bytes: int = 1 << 20) -> None:
        self._answer = answer
        self._part_bytes = part_bytes
        self.dead = threading.Event()
        self.reads = 0
        self._output = bytearray()
        self._input = bytearray()

    def __call__(self, server: Server, peer: Peer) -> None:
        while True:
            (mark,) = struct.unpack("!I", read_exactly(peer, 4))
            record = read_exactly(peer, mark & 0x7FFF_FFFF)
            xid, _, _, _, _, procedure = struct.unpack("!6I", record[:24])
            if self.dead.is_set():
                peer.wait()
                return
            result = self._call(server, peer, procedure, record[40:])
            body = struct.pack("!6I", xid, 1, 0, 0, 0, 0) + result
            peer.send(struct.pack("!I", 0x8000_0000 | len(body)) + body)

    def deliver(self, reply: bytes) -> None:
        """Put a reply in the output queue without having been asked."""
        self._output += reply

    def _call(self, server: Server, peer: Peer, procedure: int, args: bytes) -> bytes:
        if procedure == _CREATE_LINK:
            self._output.clear()
            return struct.pack("!iiII", 0, 1, 0, 1 << 20)
        if procedure == _WRITE:
            flags, length = struct.unpack("!iI", args[12:20])
            self._input += args[20 : 20 + length]
            if flags & _END_FLAG:
                self._take_message(server)
            return struct.pack("!iI", 0, length)
        if procedure == _READ:
            size, timeout_ms = struct.unpack("!II", args[4:12])
            return self._read(peer, size, timeout_ms / 1000.0)
        if procedure == _DESTROY_LINK:
            return struct.pack("!i", 0)
        raise AssertionError(f"procedure {procedure} is not served")

    def _take_message(self, server: Server) -> None:
        message = self._input.decode("latin-1").rstrip("\n")
        self._input.clear()
        server.messages.append(message)
        reply = IDENTITY + "\n" if message == "*IDN?" else self._answer(message)
        if reply is not None:
            self._output += as_bytes(reply)

    def _read(self, peer: Peer, size: int, timeout_s: float) -> bytes:
        self.reads += 1
        if not self._output:
            peer.stop.wait(timeout_s)
            return struct.pack("!iiI", _TIMEOUT_ERROR, 0, 0)
        part = bytes(self._output[: min(size, self._part_bytes)])
        del self._output[: len(part)]
        reason = _REQUEST_COUNT_REASON if self._output else _END_REASON
        padding = b"\0" * (-len(part) % 4)
        return struct.pack("!iiI", 0, reason, len(part)) + part + padding
