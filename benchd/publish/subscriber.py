"""How to read a bench's messages: drop duplicates, see gaps, know the newest state.

A small pure class for the demo, for tests, and for anyone to copy into their own program. Feed
it every message; it says what each one is.
"""

from __future__ import annotations

import json
from dataclasses import dataclass, field
from typing import Any, Literal

Kind = Literal["new", "late", "duplicate", "state", "old-state", "unknown"]


@dataclass(frozen=True, slots=True)
class Reading:
    """One message, read.

    kind: `new` event; `late`, an event that fills a gap; `duplicate`, to be ignored; `state`
        (presence, latest); `old-state`, one that a newer message has overtaken; `unknown`,
        something that is no message of this kind.
    restarted: the bench counts anew, in another database.
    """

    kind: Kind
    topic: str
    message: dict[str, Any]
    restarted: bool = False


@dataclass(slots=True)
class Gap:
    """Events after number `after`, up to and including `until`, of which some are missing."""

    after: int
    until: int
    _seen: dict[int, int] = field(default_factory=dict, repr=False)

    def fill(self, sequence: int, previous: int) -> bool:
        """Note an event; False if it was there already."""
        if sequence in self._seen:
            return False
        self._seen[sequence] = previous
        return True

    @property
    def is_closed(self) -> bool:
        """True when an unbroken chain leads from `until` back to `after`."""
        number = self.until
        while number > self.after:
            if number not in self._seen:
                return False
            number = self._seen[number]
        return True


class Subscriber:
    """Reads the messages of one bench.

    stream: `None` if it subscribes to all of the bench's events (`benchd/<bench>/#`); else the
        one stream it subscribes to (`result`, `job`, `verdict` or `trace`). Each event names the
        event before it in its stream, so that both see their gaps.
    after: the last event it had read before, 0 for none; None to begin with whatever comes.
    """

    def __init__(self, *, stream: str | None = None, after: int | None = None) -> None:
        self._stream = stream
        self._last = after
        self._epoch: str | None = None
        self._gaps: list[Gap] = []
        self._states: dict[str, int] = {}

    @property
    def last_sequence(self) -> int | None:
        """The highest number read so far; keep it, and give it as `after` next time."""
        return self._last

    @property
    def gaps(self) -> tuple[tuple[int, int], ...]:
        """What is missing: (from, to), both included, as a `replay` order takes them."""
        return tuple((gap.after + 1, gap.until) for gap in self._gaps)

    def feed(self, topic: str, payload: bytes | str) -> Reading:
        """Read one message. Never raises on bad payloads: they are `unknown`."""
        try:
            message = json.loads(payload)
        except (ValueError, RecursionError):
            return Reading("unknown", topic, {})
        match message:
            case {"epoch": str(epoch), "sequence": int(sequence), "previous": int(previous)}:
                return self._event(topic, message, epoch, sequence, previous)
            case {"epoch": str(epoch), "sequence": int(sequence)}:
                return self._state(topic, message, epoch, sequence)
            case {"schema": "benchd.presence/1"}:
                return Reading("state", topic, message)
            case dict():
                return Reading("unknown", topic, message)
        return Reading("unknown", topic, {})

    def _state(self, topic: str, message: dict[str, Any], epoch: str, sequence: int) -> Reading:
        # States of an older database may still be retained; they are told apart by the epoch
        # only once an event has come.
        if self._epoch not in (None, epoch) or sequence < self._states.get(topic, 0):
            return Reading("old-state", topic, message)
        self._states[topic] = sequence
        return Reading("state", topic, message)

    def _event(
        self, topic: str, message: dict[str, Any], epoch: str, sequence: int, previous: int
    ) -> Reading:
        before = previous if self._stream is not None else sequence - 1
        restarted = self._epoch not in (None, epoch)
        if restarted:
            self._last = 0
            self._gaps.clear()
            self._states.clear()
        self._epoch = epoch
        if self._last is None:
            self._last = before
        if sequence > self._last:
            if before > self._last:
                self._gaps.append(Gap(self._last, before))
            self._last = sequence
            return Reading("new", topic, message, restarted)
        return Reading("late" if self._fills(sequence, before) else "duplicate", topic, message)

    def _fills(self, sequence: int, before: int) -> bool:
        for gap in self._gaps:
            if gap.after < sequence <= gap.until:
                was_missing = gap.fill(sequence, before)
                self._gaps = [one for one in self._gaps if not one.is_closed]
                return was_missing
        return False
