"""The JSON text of results that were asked for lately: pages ask for the same ones again and again.

A stored result never changes, so its text does not either. A text is given out again only for the
very same object in memory, of which the store keeps those that were read lately.
"""

from __future__ import annotations

import threading
from collections.abc import Iterable

from benchd.results import ResultRecord
from benchd.web.documents import to_text

MOST_KEPT = 2000
"""At some 4 KB each, about 8 MB."""


class ResultTexts:
    """Results as JSON text. May be used by any thread."""

    def __init__(self, most: int = MOST_KEPT) -> None:
        self._most = most
        self._lock = threading.Lock()
        self._kept: dict[int, tuple[ResultRecord, str]] = {}

    def listed(self, records: Iterable[ResultRecord]) -> str:
        """A JSON list of results, as `documents.to_text` writes it."""
        return f"[{', '.join(self._text(record) for record in records)}]"

    def _text(self, record: ResultRecord) -> str:
        # The object is kept with its text, so that no other one can be given its identity.
        key = id(record)
        with self._lock:
            found = self._kept.pop(key, None)
            if found is not None:
                self._kept[key] = found  # now the last to be thrown away
                return found[1]
        text = to_text(record)
        with self._lock:
            self._kept[key] = (record, text)
            while len(self._kept) > self._most:
                del self._kept[next(iter(self._kept))]
        return text
