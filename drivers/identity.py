"""Whether the instrument that answers is the one that is expected there."""

from __future__ import annotations

import time
from collections.abc import Callable

from drivers.errors import BadReply, LinkLost, WrongInstrument, shown

_MOST_STALE_LINES = 4096
_ONE_LINE_S = 1.0


class StaleAnswer(Exception):
    """Only other answers came, and never the identity. `found`: the last of them."""

    def __init__(self, found: str) -> None:
        super().__init__(found)
        self.found = found


def after_stale_lines(
    found: str, known: str, read: Callable[[float], str], timeout_s: float
) -> str:
    """Read on until the identity comes that is known from before, and return it.

    On a serial line, late answers to an earlier session still arrive before it.

    found: the first answer. read: the next line within so many seconds; raises LinkLost.
    timeout_s: the longest wait for all of them, s.
    Raises StaleAnswer where it never comes.
    """
    deadline = time.monotonic() + timeout_s
    for _ in range(_MOST_STALE_LINES):
        if found == known:
            return found
        left_s = deadline - time.monotonic()
        if left_s <= 0.0:
            break
        try:
            found = read(min(_ONE_LINE_S, left_s)).strip()
        except LinkLost as error:
            raise StaleAnswer(found) from error
    raise StaleAnswer(found)


def unlike(
    name: str, address: str, found: str, expected: str, question: str
) -> WrongInstrument | BadReply:
    """The error for an answer that is not the expected identity, as text with its own words.

    Text with other than printable characters is no identity of any instrument, so it was garbled
    on its way (BadReply); anything else is another instrument (WrongInstrument).
    """
    spoiled = any(not " " <= letter <= "~" for letter in found)
    return (BadReply if spoiled else WrongInstrument)(
        name,
        f"answers at {address} as {shown(found)}; expected {expected}.",
        question,
        "Check `address:` and `identity:` in the bench file.",
    )
