"""How to read a bench's messages: drop duplicates, see gaps, know the newest state.

An event is named by its epoch and its number together. A bench begins a new epoch when its database
came back from a backup: it then gives numbers again that were given before, from `epoch_first` on.
Whoever reads the first message of a new epoch forgets the numbers from `epoch_first` on and keeps
those below, which both databases share. The rule for duplicates: drop an event only if this number
was read in this epoch, or lies below `epoch_first` and was read before.

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
        something that is no message of this kind, such as the bare numbers below `reading`.
    restarted: a new epoch has begun: the bench goes on in another database, or in one that came
        back from a backup. What it published last may be lost there.
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
    epoch: the epoch of that event. Keep it together with the number: without it, a bench that
        came back from a backup meanwhile cannot be told from one that repeats itself.
    """

    def __init__(
        self, *, stream: str | None = None, after: int | None = None, epoch: str | None = None
    ) -> None:
        self._stream = stream
        self._last = after
        self._epoch = epoch
        self._first = 1  # the first number of this epoch
        self._gaps: list[Gap] = []
        self._states: dict[str, tuple[str, int]] = {}
        # The epochs left behind, with the highest number read in each.
        self._left: dict[str, int] = {}

    @property
    def last_sequence(self) -> int | None:
        """The highest number read so far; keep it, and give it as `after` next time."""
        return self._last

    @property
    def epoch(self) -> str | None:
        """The epoch of that number; keep it, and give it as `epoch` next time."""
        return self._epoch

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
            case {"schema": "benchd.presence/1" | "benchd.epoch/1"}:
                return self._notice(topic, message)
            case {"epoch": str(epoch), "sequence": int(sequence)}:
                return self._state(topic, message, epoch, sequence)
            case dict():
                return Reading("unknown", topic, message)
        return Reading("unknown", topic, {})

    def _enter(self, epoch: str, message: dict[str, Any]) -> bool:
        """Change to a newer epoch; True if there was another one before."""
        if epoch == self._epoch:
            self._first = _first_of(message)
        if epoch == self._epoch or self._is_older(epoch, message["sequence"]):
            return False
        before, self._epoch, self._first = self._epoch, epoch, _first_of(message)
        if before is None:
            return False
        self._left[before] = self._last or 0
        self._last = min(self._last or 0, self._first - 1)
        # Events of the lost database from there on cannot be sent again by anybody.
        for gap in self._gaps:
            gap.until = min(gap.until, self._first - 1)
        return True

    def _is_older(self, epoch: str, sequence: int) -> bool:
        """Whether it is an epoch from before the present one: one that was left behind, or one
        never met whose name says that it began earlier (names sort by time)."""
        if epoch in self._left:
            return True
        return self._epoch is not None and epoch < self._epoch and sequence < self._first

    def _notice(self, topic: str, message: dict[str, Any]) -> Reading:
        match message:
            case {"epoch": str(epoch), "sequence": int()}:
                return Reading("state", topic, message, self._enter(epoch, message))
        return Reading("state", topic, message)

    def _state(self, topic: str, message: dict[str, Any], epoch: str, sequence: int) -> Reading:
        # States of an older epoch stay retained where no newer one took their place. They are
        # true up to the number that both databases share.
        known_epoch, known_sequence = self._states.get(topic, (epoch, 0))
        if known_epoch == epoch:
            is_old = sequence < known_sequence
            is_old |= self._epoch not in (None, epoch) and sequence >= self._first
        else:
            is_old = epoch in self._left or epoch < known_epoch
        if is_old:
            return Reading("old-state", topic, message)
        self._states[topic] = (epoch, sequence)
        return Reading("state", topic, message)

    def _event(
        self, topic: str, message: dict[str, Any], epoch: str, sequence: int, previous: int
    ) -> Reading:
        before = previous if self._stream is not None else sequence - 1
        restarted = self._enter(epoch, message)
        if epoch != self._epoch:
            return Reading(self._of_older_epoch(epoch, sequence, before), topic, message)
        if self._last is None:
            self._last = before
        if sequence <= self._last:
            kind: Kind = "late" if self._fills(sequence, before) else "duplicate"
            return Reading(kind, topic, message)
        if before > self._last:
            self._gaps.append(Gap(self._last, before))
        elif self._gaps:
            # The gap begins at the first number of this epoch at the earliest; there need not be an
            # event of this stream at that number.
            self._gaps[-1].until = min(self._gaps[-1].until, before)
        self._gaps = [one for one in self._gaps if not one.is_closed]
        self._last = sequence
        return Reading("new", topic, message, restarted)

    def _of_older_epoch(self, epoch: str, sequence: int, before: int) -> Kind:
        """An event that was sent again, or was on its way while the new epoch began."""
        is_unread = sequence > self._left.get(epoch, 0)
        fills = sequence < self._first and self._fills(sequence, before)
        if fills or (is_unread and epoch in self._left):
            self._left[epoch] = max(sequence, self._left.get(epoch, 0))
            return "late"
        return "duplicate"

    def _fills(self, sequence: int, before: int) -> bool:
        for gap in self._gaps:
            if gap.after < sequence <= gap.until:
                was_missing = gap.fill(sequence, before)
                self._gaps = [one for one in self._gaps if not one.is_closed]
                return was_missing
        return False


def _first_of(message: dict[str, Any]) -> int:
    """The first number of a message's epoch; 1 where it does not say."""
    first = message.get("epoch_first")
    return first if isinstance(first, int) and first >= 1 else 1
