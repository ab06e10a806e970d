"""Cuts a byte stream into program messages at newlines that are not inside block data."""

from __future__ import annotations

OVERRUN = b"\x00overrun"
"""Stands in the list of messages for one that did not fit into the input buffer."""


class Framer:
    """Collects bytes until a message is complete.

    The terminator is a newline (IEEE 488.2-1992, 7.5; the END message of a bus has its own
    method). A message longer than `limit` bytes is thrown away up to its end and `OVERRUN` is
    handed out in its place.
    """

    def __init__(self, limit: int = 65536) -> None:
        self._limit = limit
        self._buffer = b""
        self._discarding = False
        self._skip = 0

    def feed(self, data: bytes) -> list[bytes]:
        """Take bytes, return the complete messages without their terminators."""
        if not self._buffer and not self._discarding and not self._skip and b"#" not in data:
            lines = data.split(b"\n")
            if not lines[-1]:
                del lines[-1]
                if len(data) <= self._limit:
                    return lines
        self._buffer += data
        messages: list[bytes] = []
        while self._take(messages):
            pass
        return messages

    def end(self) -> list[bytes]:
        """The bus said END: whatever is collected is a whole message."""
        rest, self._buffer = self._buffer, b""
        if self._discarding or self._skip:
            self._discarding, self._skip = False, 0
            return [OVERRUN]
        return [rest] if rest else []

    def clear(self) -> None:
        """Forget a half-received message, as a device clear does."""
        self._buffer, self._discarding, self._skip = b"", False, 0

    def _take(self, messages: list[bytes]) -> bool:
        """Move one message out of the buffer; False when more bytes are needed."""
        if self._skip:
            dropped = min(self._skip, len(self._buffer))
            self._buffer = self._buffer[dropped:]
            self._skip -= dropped
        if not self._buffer:
            return False
        end = self._end_of_message()
        if end is None:
            if len(self._buffer) > self._limit:
                self._buffer, self._discarding = b"", True
            return False
        message, self._buffer = self._buffer[:end], self._buffer[end + 1 :]
        if self._discarding or len(message) > self._limit:
            message, self._discarding = OVERRUN, False
        messages.append(message)
        return True

    def _end_of_message(self) -> int | None:
        """Index of the terminating newline, stepping over strings and blocks."""
        buffer = self._buffer
        if self._discarding:
            found = buffer.find(b"\n")
            if found < 0:
                self._buffer = b""
            return found if found >= 0 else None
        position, quote = 0, 0
        while position < len(buffer):
            byte = buffer[position]
            if byte == 0x0A:
                return position
            if quote:
                quote = 0 if byte == quote else quote
            elif byte in (0x22, 0x27):
                quote = byte
            elif byte == 0x23:
                after = self._after_block(position)
                if after is None:
                    return None
                position = after
                continue
            position += 1
        return None

    def _after_block(self, start: int) -> int | None:
        """Index after the block that starts here; None while it is incomplete.

        Anything that is no definite-length header counts as one ordinary byte, so that the
        parser, not the framer, complains about it.
        """
        buffer = self._buffer
        header = buffer[start + 1 : start + 2]
        if not header:
            return None
        if not header.isdigit() or header == b"0":
            return start + 1
        first = start + 2 + int(header)
        length = buffer[start + 2 : first]
        if b"\n" in length or not (length.isdigit() or not length):
            return start + 1
        if len(length) < int(header):
            return None
        end = first + int(length)
        if end > self._limit:
            self._skip = end - len(buffer) if end > len(buffer) else 0
            self._buffer = buffer[end:]
            self._discarding = True
            return None
        return end if end <= len(buffer) else None
