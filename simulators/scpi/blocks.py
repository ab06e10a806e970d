"""Arbitrary block data (IEEE 488.2-1992, 7.7.6 for program data, 8.7.9 and 8.7.10 for replies)."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from simulators.scpi.errors import ScpiError


def encode_block(payload: bytes) -> bytes:
    """Definite-length block: `#`, number of length digits, length in bytes, the bytes."""
    length = str(len(payload))
    return b"#%d%s" % (len(length), length.encode()) + payload


def encode_values(values: NDArray[np.float64], *, bits: int, swapped: bool) -> bytes:
    """Definite-length block of IEEE 754 numbers.

    Args:
        values: shape (n,), any unit.
        bits: 32 or 64.
        swapped: True for least significant byte first (`FORMat:BORDer SWAPped`).
    """
    dtype = np.dtype(f"{'<' if swapped else '>'}f{bits // 8}")
    return encode_block(np.ascontiguousarray(values, dtype=dtype).tobytes())


def block_extent(text: str, start: int) -> int:
    """Index just after the block whose `#` stands at `start`.

    An indefinite block (`#0`) runs to the end of the text.

    Raises:
        ScpiError: -161 if the header is malformed or the data are cut short.
    """
    digits = text[start + 1 : start + 2]
    if digits == "0":
        return len(text)
    if not (digits.isascii() and digits.isdigit()):
        raise ScpiError(-161, "after # a digit must follow")
    first = start + 2 + int(digits)
    length = text[start + 2 : first]
    if len(length) != int(digits) or not (length.isascii() and length.isdigit()):
        raise ScpiError(-161, f"the length must have {digits} digits")
    end = first + int(length)
    if end > len(text):
        raise ScpiError(-161, f"{int(length)} bytes announced, {len(text) - first} received")
    return end


def decode_block(text: str) -> bytes:
    """Payload of one block given as latin-1 text, which must be nothing but the block.

    Raises:
        ScpiError: -161 if it is not exactly one block.
    """
    if not text.startswith("#") or block_extent(text, 0) != len(text):
        raise ScpiError(-161)
    digits = int(text[1])
    return text[2 + digits :].encode("latin-1")
