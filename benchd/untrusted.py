"""What comes from outside, read so that it can neither hang, nor fill the memory, nor surprise.

Files: only regular ones, and no more of them than they may hold. A named pipe would hang whoever
opens it, a device may have no end.

Numbers: only those written in the ten digits 0 to 9. Python's own readers also take the digits of
every other script, `1_000`, `nan` and `infinity`, and fail in a way of their own on 5,000 digits.
"""

from __future__ import annotations

import errno
import os
import re
import stat
from pathlib import Path

LARGEST_FILE_BYTES = 256_000  # of a recipe or a bench file
LARGEST_SECRET_BYTES = 64 << 10
LARGEST_CERTIFICATES_BYTES = 4 << 20

_WHOLE = re.compile(r"[+-]?[0-9]{1,18}", re.ASCII)
_NUMBER = re.compile(r"[+-]?(?:[0-9]+\.?[0-9]*|\.[0-9]+)(?:[eE][+-]?[0-9]{1,4})?", re.ASCII)
_LONGEST_NUMBER = 60
_MOMENT = re.compile(
    r"(?:19[7-9][0-9]|[2-8][0-9]{3}|9[0-8][0-9]{2}|99[0-8][0-9]|999[0-8])"  # 1970 to 9998
    r"-[0-9]{2}-[0-9]{2}[T ][0-9]{2}:[0-9]{2}(?::[0-9]{2}(?:\.[0-9]{1,6})?)?"
    r"(?:Z|[+-][0-9]{2}:?[0-9]{2})?",
    re.ASCII,
)


def read_regular(path: Path, most_bytes: int) -> bytes:
    """The content of a regular file, at most one byte more than `most_bytes`.

    Whoever gets more than `most_bytes` knows that the file is too large. Raises OSError, also for
    what is no regular file; its `strerror` says so in words.
    """
    text = os.fspath(path)
    if "\x00" in text:
        raise OSError(0, "embedded null byte", text)
    # Looked at before it is opened: opening alone can hang (a pipe) or act (a device).
    _refuse_others(os.stat(text).st_mode, text)
    descriptor = os.open(text, os.O_RDONLY | os.O_NONBLOCK | os.O_CLOEXEC | os.O_NOCTTY)
    with os.fdopen(descriptor, "rb") as stream:
        _refuse_others(os.fstat(stream.fileno()).st_mode, text)
        return stream.read(most_bytes + 1)


def _refuse_others(mode: int, path: str) -> None:
    if stat.S_ISREG(mode):
        return
    if stat.S_ISDIR(mode):
        raise IsADirectoryError(errno.EISDIR, os.strerror(errno.EISDIR), path)
    kinds = {
        stat.S_IFIFO: "a named pipe",
        stat.S_IFSOCK: "a socket",
        stat.S_IFCHR: "a device",
        stat.S_IFBLK: "a device",
    }
    what = kinds.get(stat.S_IFMT(mode), "something else")
    raise OSError(0, f"it is {what}, expected a regular file", path)


def read_text(path: Path, most_bytes: int) -> str:
    """The text of a small regular file, in UTF-8. Raises OSError and UnicodeDecodeError."""
    content = read_regular(path, most_bytes)
    if len(content) > most_bytes:
        raise OSError(0, f"it holds more than {most_bytes} bytes", os.fspath(path))
    return content.decode("utf-8-sig")


def why(error: OSError | UnicodeDecodeError) -> str:
    """What kept a file from being read, in words."""
    if isinstance(error, UnicodeDecodeError):
        return f"it is not UTF-8 text (byte {error.start + 1})"
    return error.strerror or str(error)


def whole_number(text: str) -> int:
    """A whole number in ASCII digits, 18 at most. Raises ValueError for anything else."""
    if not _WHOLE.fullmatch(text):
        raise ValueError(f"{text[:40]!r} is no whole number")
    return int(text)


def decimal_number(text: str) -> float:
    """A number in ASCII digits, with or without an exponent; finite, and never minus zero.

    Raises ValueError for anything else.
    """
    if len(text) > _LONGEST_NUMBER or not _NUMBER.fullmatch(text):
        raise ValueError(f"{text[:40]!r} is no number")
    value = float(text)
    if value - value != 0.0:
        raise ValueError(f"{text[:40]!r} is no finite number")
    return value + 0.0


def plain_whole(value: object) -> object:
    """The value as it is, unless it is text that only looks like a whole number: ValueError.

    For a field that takes numbers: pydantic's own reader of text is as lenient as Python's.
    """
    if isinstance(value, str) and not re.fullmatch(r"[+-]?[0-9]{1,18}|[A-Za-z ]*", value):
        raise ValueError(f"{value[:40]!r} is no whole number")
    return value


def plain_moment(value: object) -> object:
    """Text in the form in which ISO 8601 writes a time. Raises ValueError.

    For a field that takes times: pydantic takes a bare number for seconds since 1970.
    """
    if not isinstance(value, str) or not _MOMENT.fullmatch(value):
        raise ValueError('a time is written as "2026-03-01T22:00:00+01:00", from 1970 to 9998')
    return value


def is_clean_text(text: str) -> bool:
    """False for text that came from bytes which were not UTF-8: it can be sent to nobody."""
    return not any("\ud800" <= letter <= "\udfff" for letter in text)
