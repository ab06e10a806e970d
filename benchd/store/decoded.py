"""Results and verdicts that were read lately, kept as values: no stored text is taken apart twice.

What is stored never changes, and readers change none of it. So a text that was taken apart once
gives the same value again. Rows are still read and their checksums still compared each time: a row
that was damaged meanwhile is noticed as before.
"""

from __future__ import annotations

import threading
from collections.abc import Callable
from typing import Any, TypeVar

T = TypeVar("T")
MOST_KEPT = 6000
"""At some 5 KB each: more than the longest story of one antenna, about 30 MB."""


class Decoded:
    """What was read last, by its checksum. May be used by any thread."""

    def __init__(self, most: int = MOST_KEPT) -> None:
        self._most = most
        self._lock = threading.Lock()
        self._kept: dict[str, Any] = {}

    def value(self, checksum: str, body: str, read: Callable[[str], T]) -> T:
        """The value of a row. checksum: of its texts, as they were just read.

        read: takes the body apart; its errors are passed on.
        """
        with self._lock:
            found: T | None = self._kept.pop(checksum, None)
            if found is not None:
                self._kept[checksum] = found  # now the last to be thrown away
                return found
        found = read(body)
        with self._lock:
            self._kept[checksum] = found
            while len(self._kept) > self._most:
                del self._kept[next(iter(self._kept))]
        return found
