"""Where one reply ends and the next begins, in bytes that arrive in any pieces.

Pure: bytes in, replies out; "need more" is the value None. Formats are those of IEEE 488.2
(clause numbers from memory): response messages end with a newline (8.5); a definite-length block
is `#<n><length><bytes>` (8.7.9), an indefinite-length block `#0<bytes>` ended by the newline that
carries END (8.7.10).
"""

from __future__ import annotations

from drivers.errors import UnexpectedReply, shown

NEWLINE = 0x0A
_HASH = ord("#")


def block_header(data: bytes | bytearray) -> tuple[int, int | None] | None:
    """Offset and length of the payload of a block; length None for an indefinite one.

    Returns None while the header is incomplete.
    Raises UnexpectedReply for anything that is not a block header.
    """
    if not data:
        return None
    if data[0] != _HASH:
        raise UnexpectedReply("a data block starting with '#'", shown(bytes(data)))
    if len(data) < 2:
        return None
    if not 0x30 <= data[1] <= 0x39:
        raise UnexpectedReply(
            "a digit after the '#' of a data block", shown(bytes(data[:20])), end_known=False
        )
    digits = data[1] - 0x30
    if digits == 0:
        return 2, None
    if len(data) < 2 + digits:
        return None
    length = bytes(data[2 : 2 + digits])
    if not length.isdigit():
        raise UnexpectedReply(
            f"{digits} digits giving the length of a data block",
            shown(bytes(data[:20])),
            end_known=False,
        )
    return 2 + digits, int(length)


def refuse_size(length: int, block_bytes: int | None, most_bytes: int) -> None:
    """Raise UnexpectedReply if an announced block is larger than it can be."""
    limit = most_bytes if block_bytes is None else min(block_bytes, most_bytes)
    if length > limit:
        raise UnexpectedReply(
            f"a data block of at most {limit} bytes",
            f"one announced with {length} bytes",
            end_known=False,
        )


def text_of_message(message: bytes) -> str:
    """The text of a whole response message, without its terminator.

    Decoded as latin-1, which no byte can make fail.
    """
    return message.removesuffix(b"\n").removesuffix(b"\r").decode("latin-1")


def block_of_message(message: bytes, block_bytes: int | None, most_bytes: int) -> bytes:
    """The payload of a block that fills a whole response message.

    Raises UnexpectedReply if the message holds no block, or one cut short or too long.
    """
    header = block_header(message)
    if header is None:
        raise UnexpectedReply("a data block", shown(message) if message else "an empty message")
    offset, length = header
    if length is None:
        payload = message[offset:].removesuffix(b"\n")
        refuse_size(len(payload), block_bytes, most_bytes)
        return payload
    refuse_size(length, block_bytes, most_bytes)
    if len(message) < offset + length:
        raise UnexpectedReply(
            f"a data block of {length} bytes", f"only {len(message) - offset} of them"
        )
    return message[offset : offset + length]


class ReplyBuffer:
    """Bytes of a stream that were received but not yet handed out as replies.

    held: those bytes; empty most of the time, so it is looked at before anything else is done.
    """

    def __init__(self, most_bytes: int, *, end: bytes = b"\n") -> None:
        """end: what ends a line: a newline, or a carriage return, which a newline may follow."""
        self._end = end
        self.held = bytearray()
        self._most_bytes = most_bytes
        self._block_just_ended = False
        self._without_newline = 0  # bytes already searched, so that a long line is searched once

    def feed(self, data: bytes) -> None:
        """Add bytes as they arrived."""
        self.held += data

    def clear(self) -> None:
        """Throw everything away, after the stream itself was reopened."""
        self.held.clear()
        self._block_just_ended = False
        self._without_newline = 0

    def unclaimed(self) -> bytes:
        """Bytes that belong to no query; empty as long as queries and replies match.

        The newline after a block is dropped here if the block's reader did not wait for it:
        some instruments send none, and waiting for it would cost them a timeout.
        """
        self._drop_block_terminator()
        if self._end == b"\r" and self.held[:1] == b"\n":
            del self.held[:1]
        return bytes(self.held)

    def take_text_of(self, data: bytes) -> str | None:
        """Add bytes as they arrived, and take the next line, or None while it is incomplete.

        A whole line that comes alone is what nearly every reply is: it needs no buffer.
        """
        if (
            not (self.held or self._block_just_ended)
            and self._end == b"\n"
            and data.find(b"\n") == len(data) - 1 >= 0
        ):
            return data[:-1].removesuffix(b"\r").decode("latin-1")
        self.held += data
        return self.take_text()

    def take_text(self) -> str | None:
        """The next line without its terminator, or None while it is incomplete."""
        if not self.held:
            return None
        self._drop_block_terminator()
        data = self.held
        if self._end == b"\r" and data[:1] == b"\n":
            del data[:1]
        end = data.find(self._end, self._without_newline)
        self._without_newline = len(data) if end < 0 else 0
        if end < 0:
            if len(data) > self._most_bytes:
                raise UnexpectedReply(
                    f"a line of at most {self._most_bytes} bytes",
                    f"{len(data)} bytes without a newline",
                    end_known=False,
                )
            return None
        line = data[:end].removesuffix(b"\r").decode("latin-1")
        del data[: end + 1]
        return line

    def take_block(self, block_bytes: int | None) -> bytes | None:
        """The payload of the next block, or None while it is incomplete.

        Raises UnexpectedReply if what arrives is no block or announces more bytes than
        `block_bytes` (or the buffer's own limit).
        """
        self._drop_block_terminator()
        data = self.held
        if data and data[0] != _HASH:
            line = self.take_text()
            if line is None:
                return None
            raise UnexpectedReply("a data block starting with '#'", shown(line))
        header = block_header(data)
        if header is None:
            return None
        offset, length = header
        if length is None:
            length = self._indefinite_length(block_bytes)
        refuse_size(length, block_bytes, self._most_bytes)
        if len(data) < offset + length:
            return None
        with memoryview(data) as view:
            payload = bytes(view[offset : offset + length])
        del data[: offset + length]
        self._without_newline = 0
        self._block_just_ended = True
        self._drop_block_terminator()
        return payload

    @staticmethod
    def _indefinite_length(block_bytes: int | None) -> int:
        if block_bytes is None:
            raise UnexpectedReply(
                "a data block of definite length",
                "one of indefinite length (#0), whose end a byte stream cannot show",
                end_known=False,
            )
        return block_bytes

    def _drop_block_terminator(self) -> None:
        if not self._block_just_ended or not self.held:
            return
        data = self.held
        self._without_newline = 0
        if data[0] == NEWLINE:
            del data[:1]
        elif data[:2] == b"\r\n":
            del data[:2]
        elif data[0] == 0x0D and self._end == b"\r":
            del data[:1]
        elif data == b"\r":
            return
        self._block_just_ended = False
