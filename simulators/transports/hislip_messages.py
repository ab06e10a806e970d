"""HiSLIP messages as bytes (IVI-6.1, High-Speed LAN Instrument Protocol, section 2).

A message is `HS`, type, control code, parameter, payload length, payload; all big endian.
"""

from __future__ import annotations

import enum
import struct
from dataclasses import dataclass

_HEADER = struct.Struct("!2sBBIQ")
HEADER_BYTES = _HEADER.size
LARGEST_PAYLOAD = 1 << 24


class MessageType(enum.IntEnum):
    """Message types of IVI-6.1 table 4 that this server knows."""

    INITIALIZE = 0
    INITIALIZE_RESPONSE = 1
    FATAL_ERROR = 2
    ERROR = 3
    DATA = 6
    DATA_END = 7
    DEVICE_CLEAR_COMPLETE = 8
    DEVICE_CLEAR_ACKNOWLEDGE = 9
    ASYNC_REMOTE_LOCAL_CONTROL = 10
    ASYNC_REMOTE_LOCAL_RESPONSE = 11
    TRIGGER = 12
    INTERRUPTED = 13
    ASYNC_INTERRUPTED = 14
    ASYNC_MAXIMUM_MESSAGE_SIZE = 15
    ASYNC_MAXIMUM_MESSAGE_SIZE_RESPONSE = 16
    ASYNC_INITIALIZE = 17
    ASYNC_INITIALIZE_RESPONSE = 18
    ASYNC_DEVICE_CLEAR = 19
    ASYNC_STATUS_QUERY = 21
    ASYNC_STATUS_RESPONSE = 22
    ASYNC_DEVICE_CLEAR_ACKNOWLEDGE = 23
    ASYNC_LOCK_INFO = 24
    ASYNC_LOCK_INFO_RESPONSE = 25


class FatalError(enum.IntEnum):
    """Reasons to end a connection (IVI-6.1, section 2.6)."""

    POORLY_FORMED_HEADER = 1
    NOT_BOTH_CHANNELS = 2
    BAD_INITIALIZATION = 3


UNRECOGNIZED_TYPE = 1
"""Control code of a non-fatal Error message: unrecognized message type."""


@dataclass(frozen=True)
class Message:
    """One message."""

    type: int
    control: int = 0
    parameter: int = 0
    payload: bytes = b""

    def encode(self) -> bytes:
        """The message as bytes."""
        header = _HEADER.pack(b"HS", self.type, self.control, self.parameter, len(self.payload))
        return header + self.payload


class BadHeaderError(Exception):
    """The bytes are no HiSLIP message."""


class MessageReader:
    """Collects bytes until messages are complete."""

    def __init__(self) -> None:
        self._buffer = b""

    def feed(self, data: bytes) -> list[Message]:
        """Take bytes, return complete messages.

        Raises:
            BadHeaderError: the prologue is wrong or the payload absurdly long.
        """
        self._buffer += data
        found = []
        while len(self._buffer) >= HEADER_BYTES:
            prologue, kind, control, parameter, length = _HEADER.unpack_from(self._buffer)
            if prologue != b"HS" or length > LARGEST_PAYLOAD:
                raise BadHeaderError
            end = HEADER_BYTES + length
            if len(self._buffer) < end:
                break
            found.append(Message(kind, control, parameter, self._buffer[HEADER_BYTES:end]))
            self._buffer = self._buffer[end:]
        return found
