"""Checking every packet that a client sends to the embedded broker before the library reads it.

The library acts on a CONNECT before it asks who it comes from (it ends the session of the same
client id, or takes over its user name and its last will), publishes last wills without asking
the access rules, and reads packets of any size. So every packet is read here first. A CONNECT
that is refused here never reaches the library.

Packets and flags: MQTT 3.1.1, sections 2.2 and 3.1.
"""

from __future__ import annotations

import asyncio
from collections.abc import Callable
from dataclasses import dataclass

CONNECT_WITHIN_S = 10.0
LARGEST_CONNECT_BYTES = 16 * 1024
LARGEST_GUEST_PACKET_BYTES = 64 * 1024
LARGEST_PACKET_BYTES = 16 * 1024 * 1024
"""Largest packet of the daemon itself, bytes: a trace of many points."""

# Return codes of a CONNACK (3.2.2.3).
WRONG_VERSION, WRONG_CLIENT_ID, NO_ROOM, NOT_ALLOWED = 1, 2, 3, 5

_CONNECT = 1
# What only a client sends (2.2.1): PUBLISH, its acknowledgements, SUBSCRIBE, UNSUBSCRIBE,
# PINGREQ, DISCONNECT. A second CONNECT is a violation (3.1.0-2).
_FROM_CLIENTS = frozenset({3, 4, 5, 6, 7, 8, 10, 12, 14})


class BadPacket(Exception):
    """Not what MQTT 3.1.1 allows here; the connection is closed without an answer."""


class Refused(Exception):
    """A CONNECT that is answered with a return code and then closed."""

    def __init__(self, code: int, reason: str) -> None:
        super().__init__(reason)
        self.code = code


@dataclass(frozen=True, slots=True)
class Connect:
    """What a CONNECT asks for.

    username: None for a guest. has_will: it names a message to publish when it is lost.
    """

    client_id: str
    username: str | None
    password: str | None
    clean_session: bool
    has_will: bool


class _Fields:
    """Takes the fields of a packet's body one after the other."""

    def __init__(self, body: bytes) -> None:
        self._body = body
        self._at = 0

    def take(self, count: int) -> bytes:
        part = self._body[self._at : self._at + count]
        if len(part) < count:
            raise BadPacket("the packet ends in the middle of a field")
        self._at += count
        return part

    def data(self) -> bytes:
        return self.take(int.from_bytes(self.take(2), "big"))

    def text(self) -> str:
        try:
            text = self.data().decode()
        except UnicodeDecodeError as error:
            raise BadPacket("a text is not UTF-8") from error
        if "\0" in text:
            raise BadPacket("a text holds a NUL character")  # 1.5.3-2
        return text

    def end(self) -> None:
        if self._at != len(self._body):
            raise BadPacket("bytes are left after the last field")


def read_connect(body: bytes) -> Connect:
    """Read the body of a CONNECT. Raises BadPacket, or Refused for another version of MQTT."""
    fields = _Fields(body)
    name, version, flags = fields.text(), fields.take(1)[0], fields.take(1)[0]
    fields.take(2)  # keep alive
    if version != 4 or name != "MQTT":
        raise Refused(WRONG_VERSION, f"speaks {name} {version}, not MQTT 3.1.1")
    has_will, will_details = bool(flags & 0x04), flags & 0x38
    has_username, has_password = bool(flags & 0x80), bool(flags & 0x40)
    if flags & 0x01 or (will_details and not has_will) or (has_password and not has_username):
        raise BadPacket(f"the flags of the CONNECT contradict each other: {flags:#04x}")
    client_id = fields.text()
    if has_will:
        fields.text()
        fields.data()
    username = fields.text() if has_username else None
    # A password may be any bytes (3.1.3.5); ours are text, so that others simply do not fit.
    password = fields.data().decode(errors="replace") if has_password else None
    fields.end()
    clean_session = bool(flags & 0x02)
    if not client_id and not clean_session:
        raise Refused(WRONG_CLIENT_ID, "asks for a lasting session without a client id")
    return Connect(client_id, username, password, clean_session, has_will)


class PacketCheck:
    """Checks one client's CONNECT, then hands its packets to the library one by one.

    It has the methods of the library's ReaderAdapter: `read` and `feed_eof`.
    """

    def __init__(self, reader: asyncio.StreamReader, hang_up: Callable[[], None]) -> None:
        self._reader = reader
        self._hang_up = hang_up
        self._ready = bytearray()
        self._coming = bytearray()
        self._largest_bytes = LARGEST_GUEST_PACKET_BYTES

    async def connect(self) -> Connect:
        """The first packet. Raises BadPacket, Refused, OSError, IncompleteReadError."""
        packet, body_bytes = await self._packet(LARGEST_CONNECT_BYTES)
        if packet[0] != _CONNECT << 4:
            raise BadPacket("the first packet is no CONNECT")
        connect = read_connect(packet[len(packet) - body_bytes :])
        self._ready += packet
        return connect

    def let_in(self, largest_bytes: int) -> None:
        """From now on the library may read packets of this size."""
        self._largest_bytes = largest_bytes

    async def read(self, n: int = -1) -> bytes:
        """The next `n` bytes of packets that are let through; none at the end."""
        while len(self._ready) < n:
            try:
                packet, _ = await self._packet(self._largest_bytes)
                if packet[0] >> 4 not in _FROM_CLIENTS:
                    raise BadPacket(f"a client does not send packets of type {packet[0] >> 4}")
            except (BadPacket, asyncio.IncompleteReadError, OSError):
                self._hang_up()
                return b""
            self._ready += packet
        taken = bytes(self._ready[:n])
        del self._ready[:n]
        return taken

    def feed_eof(self) -> None:
        """Nothing more is to be read."""
        self._reader.feed_eof()

    async def _packet(self, largest_bytes: int) -> tuple[bytes, int]:
        """A whole packet and the size of its body. A cancelled call loses no byte."""
        while True:
            length, complete = _remaining_length(self._coming)
            if complete and length > largest_bytes:
                raise BadPacket(f"a packet of {length} bytes; at most {largest_bytes} are read")
            missing = _header_bytes(self._coming) + length - len(self._coming) if complete else 1
            if missing == 0:
                packet = bytes(self._coming)
                self._coming.clear()
                return packet, length
            # `readexactly` takes nothing away before everything is there.
            self._coming += await self._reader.readexactly(missing)


def _header_bytes(head: bytearray) -> int:
    """Size of the fixed header: one byte, then a length of up to four bytes (2.2.3)."""
    return 1 + next(count for count in range(1, 5) if head[count] < 0x80)


def _remaining_length(head: bytearray) -> tuple[int, bool]:
    """Size of the body that a fixed header announces, and whether all of it has come."""
    length = 0
    for count, byte in enumerate(head[1:5]):
        length |= (byte & 0x7F) << (7 * count)
        if byte < 0x80:
            return length, True
    if len(head) >= 5:
        raise BadPacket("the length of the packet has more than four bytes")
    return length, False
