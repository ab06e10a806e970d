"""Converting replies to values, and refusing replies that cannot be a measurement. Pure.

SCPI-1999 volume 1, 7.2.1 (from memory): 9.91E37 stands for "not a number", 9.9E37 and -9.9E37
for the infinities. Whatever reaches that size is no measurement.
"""

from __future__ import annotations

import math
import re
from collections.abc import Callable
from dataclasses import dataclass
from functools import partial
from typing import Any, Literal

import numpy as np
from numpy.typing import NDArray

from drivers.errors import UnexpectedReply, shown

FloatArray = NDArray[np.float64]
TraceFormat = Literal["ascii", "real32", "real64"]
ByteOrder = Literal["big", "little"]

# Just below 9.9E37, so that single precision cannot round past it.
_SPECIAL = 9.89e37
# No level in dBm lies outside: thermal noise in 1 Hz is -174 dBm, and a trace read in the wrong
# byte order nearly always has points far outside.
_LEAST_DBM, _MOST_DBM = -400.0, 200.0
_ERROR = re.compile(r"\s*([+-]?[0-9]{1,9})\s*(?:,\s*(.*))?\Z", re.DOTALL)
# NRf of IEEE 488.2, 7.7.2.4 (from memory), and the words for what is no number. Python's own
# reader also takes `1_0`; digits of other scripts cannot come, since replies are latin-1.
_NUMBER = re.compile(
    r"\s*(?:[+-]?(?:[0-9]+\.?[0-9]*|\.[0-9]+)(?:\s*[eE]\s*[+-]?[0-9]{1,6})?"
    r"|[+-]?(?:inf|infinity|nan|ninf))\s*\Z",
    re.ASCII | re.IGNORECASE,
)
_LONGEST_NUMBER = 64
_OF_NUMBERS = b"0123456789+-.eE, "
_LONGEST_IDENTITY = 500
_LONGEST_ERROR_TEXT = 500
# IEEE 488.2 allows a response header before the data, and many instruments add the unit.
_HEADED = re.compile(r"\s*:?[A-Za-z][\w:]*\s+(\S.*?)(?:\s+[A-Za-z%]+)?\s*\Z", re.DOTALL)


@dataclass(frozen=True, slots=True)
class InstrumentError:
    """One entry of an instrument's error queue; code 0 means the queue is empty."""

    code: int
    text: str


def number(reply: str) -> float:
    """A finite number. Raises UnexpectedReply for text, NaN and infinity (9.91E37, 9.9E37)."""
    if len(reply) > _LONGEST_NUMBER or not _NUMBER.match(reply):
        raise UnexpectedReply("a number", shown(reply))
    try:
        value = float(reply)
    except ValueError:  # spaces ahead of an exponent, or NINF
        value = float(re.sub(r"\s", "", reply).lower().replace("ninf", "-inf"))
    if not -_SPECIAL < value < _SPECIAL:
        raise UnexpectedReply("a number", _special_name(value))
    return value


def level_dbm(reply: str) -> float:
    """A level in dBm between -400 and 200. Raises UnexpectedReply."""
    value = number(reply)
    if not _LEAST_DBM <= value <= _MOST_DBM:
        raise UnexpectedReply("a level in dBm", shown(reply))
    return value


def integer(reply: str) -> int:
    """A whole number, also where the instrument writes it as 8.0E+0."""
    value = number(reply)
    if value != int(value):
        raise UnexpectedReply("a whole number", shown(reply))
    return int(value)


def on_off(reply: str) -> bool:
    """0 or 1, ON or OFF; instruments answer either."""
    word = reply.strip().upper()
    if word in ("1", "ON"):
        return True
    if word in ("0", "OFF"):
        return False
    raise UnexpectedReply("0 or 1", shown(reply))


def done(reply: str) -> bool:
    """The 1 that `*OPC?` answers when everything before it has finished."""
    if reply.strip() not in ("1", "+1"):
        raise UnexpectedReply("1 (finished)", shown(reply))
    return True


def identity(reply: str) -> str:
    """The answer to `*IDN?`: any text that is not empty."""
    text = reply.strip()
    if not text:
        raise UnexpectedReply("an identity", "an empty line")
    if len(text) > _LONGEST_IDENTITY:
        raise UnexpectedReply(
            f"an identity of {_LONGEST_IDENTITY} characters at most", f"{len(text)}"
        )
    if not text.isprintable():
        raise UnexpectedReply("an identity of printable characters", shown(text))
    return text


def queue_entry(reply: str) -> InstrumentError:
    """One answer to `SYST:ERR?`: a number, and a text that may hold commas and quotes."""
    match = _ERROR.match(reply)
    if match is None:
        raise UnexpectedReply('an error queue entry such as 0,"No error"', shown(reply))
    text = (match.group(2) or "").strip()
    if len(text) >= 2 and text[0] == text[-1] == '"':
        text = text[1:-1].replace('""', '"')
    return InstrumentError(int(match.group(1)), _printable(text[:_LONGEST_ERROR_TEXT]))


def flags(reply: str, count: int) -> tuple[bool, ...]:
    """`count` values of 0 or 1, separated by commas."""
    words = reply.split(",")
    if len(words) != count:
        raise UnexpectedReply(f"{count} values of 0 or 1", f"{len(words)} in {shown(reply)}")
    return tuple(on_off(word) for word in words)


def headed(parser: Callable[[str], Any], reply: str) -> Any:
    """The value of a reply such as `FREQUENCY:CENTER 1.7E+09 HZ`, by the parser for `1.7E+09`."""
    match = _HEADED.match(reply)
    if match is None:
        raise UnexpectedReply("a header and a value", shown(reply))
    return parser(match.group(1))


def trace_parser(
    points: int, trace_format: TraceFormat, byte_order: ByteOrder
) -> Callable[[str | bytes], FloatArray]:
    """A parser of traces of `points` levels in dBm, shape (points,), float64."""
    if trace_format == "ascii":
        return partial(_ascii_trace, points)
    order = ">" if byte_order == "big" else "<"
    return partial(
        _binary_trace, points, np.dtype(f"{order}f{4 if trace_format == 'real32' else 8}")
    )


def _ascii_trace(points: int, reply: str | bytes) -> FloatArray:
    text = reply if isinstance(reply, str) else reply.decode("latin-1")
    quickly = _quickly(text)
    if quickly is not None and quickly.size == points:
        return _checked(quickly)
    words = text.strip().rstrip(",").split(",")
    if len(words) != points:
        raise UnexpectedReply(f"{points} points", f"{len(words)} in {shown(text)}")
    try:
        if "_" in text:
            raise ValueError("python takes 1_0 for a number")
        levels = np.fromiter(map(float, words), np.float64, points)
    except ValueError:
        bad = next((i for i, word in enumerate(words) if not _NUMBER.match(word)), 0)
        raise UnexpectedReply(
            "numbers separated by commas", f"{shown(words[bad])} at point {bad + 1}"
        ) from None
    return _checked(levels)


def _quickly(text: str) -> FloatArray | None:
    """Numbers separated by commas, read as JSON, which takes a quarter of the time.

    None where they are not written as JSON has them (`+1`, `.5`), or are no numbers at all.
    """
    if not text.isascii():
        return None
    data = text.strip().rstrip(",").encode("ascii")
    if data.translate(None, _OF_NUMBERS):
        return None
    from pydantic_core import from_json  # not loaded where RF is switched off in a hurry

    try:
        return np.array(from_json(b"[" + data + b"]"), dtype=np.float64)
    except (ValueError, OverflowError):
        return None


def _binary_trace(points: int, kind: np.dtype[Any], reply: str | bytes) -> FloatArray:
    data = reply if isinstance(reply, bytes) else reply.encode("latin-1")
    if len(data) != points * kind.itemsize:
        raise UnexpectedReply(
            f"{points} points ({points * kind.itemsize} bytes)",
            f"{len(data)} bytes ({len(data) / kind.itemsize:g} points)",
        )
    # A signalling NaN in single precision makes NumPy warn when it is converted. The value is
    # refused below in any case, so the warning is silenced.
    with np.errstate(invalid="ignore"):
        levels = np.frombuffer(data, kind).astype(np.float64)
    return _checked(levels)


def _checked(levels: FloatArray) -> FloatArray:
    good = (levels >= _LEAST_DBM) & (levels <= _MOST_DBM)
    if good.all():
        return levels
    bad = np.flatnonzero(~good)
    value = float(levels[bad[0]])
    found = f"{value:g}" if abs(value) < _SPECIAL else _special_name(value)
    raise UnexpectedReply(
        f"{levels.size} levels in dBm",
        f"{found} at point {bad[0] + 1} ({bad.size} of {levels.size} points unusable; "
        "if all are, check the byte order)",
    )


def _special_name(value: float) -> str:
    if math.isnan(value) or value > 9.905e37:
        return f"{value:g} (the mark for not a number)"
    return f"{value:g} (the mark for infinity: overload or no measurement)"


def _printable(text: str) -> str:
    """Control characters written out: the text goes to terminals, databases and brokers."""
    return "".join(one if one.isprintable() else repr(one)[1:-1] for one in text)
