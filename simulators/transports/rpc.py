"""ONC remote procedure calls over TCP as bytes (RFC 5531; RFC 4506 for XDR)."""

from __future__ import annotations

import struct
from dataclasses import dataclass

LARGEST_RECORD = 1 << 21

_CALL, _REPLY, _ACCEPTED, _RPC_VERSION = 0, 1, 0, 2
SUCCESS, PROGRAM_UNAVAILABLE, PROGRAM_MISMATCH, PROCEDURE_UNAVAILABLE, GARBAGE = range(5)


class BadCallError(Exception):
    """The bytes are no call; nothing can be answered."""


class BadArgumentsError(Exception):
    """The arguments of a call cannot be decoded."""


class RecordReader:
    """Collects record fragments (RFC 5531, section 11) until a record is complete."""

    def __init__(self) -> None:
        self._buffer = b""
        self._record = b""

    def feed(self, data: bytes) -> list[bytes]:
        """Take bytes, return complete records.

        Raises:
            BadCallError: a record that is absurdly long.
        """
        self._buffer += data
        records = []
        while len(self._buffer) >= 4:
            (mark,) = struct.unpack_from("!I", self._buffer)
            length = mark & 0x7FFFFFFF
            if length + len(self._record) > LARGEST_RECORD:
                raise BadCallError
            if len(self._buffer) < 4 + length:
                break
            self._record += self._buffer[4 : 4 + length]
            self._buffer = self._buffer[4 + length :]
            if mark & 0x80000000:
                records.append(self._record)
                self._record = b""
        return records


class Arguments:
    """Reads XDR values one after the other; each method raises BadArgumentsError at the end."""

    def __init__(self, data: bytes) -> None:
        self._data = data
        self._at = 0

    def integer(self) -> int:
        """A signed 32-bit integer."""
        return int(self._number("!i"))

    def unsigned(self) -> int:
        """An unsigned 32-bit integer."""
        return int(self._number("!I"))

    def opaque(self) -> bytes:
        """Variable-length bytes, padded to a multiple of four."""
        length = self.unsigned()
        end = self._at + length
        if end > len(self._data):
            raise BadArgumentsError
        value = self._data[self._at : end]
        self._at = end + (-length) % 4
        return value

    def _number(self, form: str) -> int:
        try:
            (value,) = struct.unpack_from(form, self._data, self._at)
        except struct.error:
            raise BadArgumentsError from None
        self._at += 4
        return int(value)

    def rest(self) -> bytes:
        """Everything not read yet."""
        return self._data[self._at :]


def opaque(value: bytes) -> bytes:
    """Variable-length bytes as XDR."""
    return struct.pack("!I", len(value)) + value + bytes((-len(value)) % 4)


@dataclass(frozen=True)
class Call:
    """A remote procedure call."""

    transaction: int
    program: int
    version: int
    procedure: int
    arguments: Arguments

    @classmethod
    def decode(cls, record: bytes) -> Call:
        """The call in a record.

        Raises:
            BadCallError: it is none.
        """
        reader = Arguments(record)
        try:
            transaction, kind, rpc = (reader.unsigned() for _ in range(3))
            program, version, procedure = (reader.unsigned() for _ in range(3))
            for _ in ("credential", "verifier"):
                reader.unsigned()
                reader.opaque()
        except BadArgumentsError:
            raise BadCallError from None
        if kind != _CALL or rpc != _RPC_VERSION:
            raise BadCallError
        return cls(transaction, program, version, procedure, Arguments(reader.rest()))

    def reply(self, results: bytes = b"", *, status: int = SUCCESS) -> bytes:
        """The record that answers this call; `status` other than `SUCCESS` refuses it."""
        body = struct.pack("!6I", self.transaction, _REPLY, _ACCEPTED, 0, 0, status) + results
        return struct.pack("!I", 0x80000000 | len(body)) + body
