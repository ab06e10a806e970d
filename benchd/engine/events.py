"""Live events, for watching a bench. Events are not stored; all lasting data are in the store."""

from __future__ import annotations

import asyncio
from collections import deque
from collections.abc import AsyncIterator
from dataclasses import dataclass
from typing import Any

# The kinds of event and what `data` holds. Ids only: who wants the whole reads it by its id.
#
# job         job, state, message              a job changed its state
# step        job, step, steps, label          a step begins; `step` counts from 0
# progress    job, step, label, done, total, elapsed_s       within one step
# points      job, step, first, frequency_hz, level_dbm      what the running sweep has read
# hands       job, step, ask, caution          a person is asked to do something
# capture     job, capture, role, route        a capture was committed
# result      job, result                      a result was committed
# verdict     job, quantity, outcome           a result was held against a limit
# live        state, message                   a live look starts, is on, or has ended
# link        message, attempt                 an instrument's link was lost and is tried again
# rf          off, message                     RF is off (true), or could not be verified (null)
# rf-state    state, sources, radiates, ...    what is known of RF has changed; see rfnews

KEPT = 2000
QUEUE_LIMIT = 2 * KEPT


@dataclass(frozen=True, slots=True)
class Event:
    """One thing that happened. `sequence` rises by one; `data` is JSON-able."""

    sequence: int
    kind: str
    data: dict[str, Any]


class EventHub:
    """Passes each event to all watchers. Used from the event loop's thread only.

    The iterator of a watcher that is too slow is ended, so that its backlog does not grow without
    bound. It may watch again from the last sequence number it saw, and gets the events since then
    that are still kept.
    """

    def __init__(self) -> None:
        self._kept: deque[Event] = deque(maxlen=KEPT)
        self._watchers: set[asyncio.Queue[Event | None]] = set()
        self._sequence = 0

    @property
    def is_watched(self) -> bool:
        """Whether anybody watches now."""
        return bool(self._watchers)

    def publish(self, kind: str, data: dict[str, Any], *, keep: bool = True) -> Event:
        """Hand an event to every watcher.

        keep: False for what comes often and can be read anew: it is not there for those who come
            later, and pushes nothing out of what is kept.
        """
        self._sequence += 1
        event = Event(self._sequence, kind, data)
        if keep:
            self._kept.append(event)
        for queue in list(self._watchers):
            if queue.qsize() >= QUEUE_LIMIT:
                self._watchers.discard(queue)
                queue.put_nowait(None)
            else:
                queue.put_nowait(event)
        return event

    async def watch(self, after: int | None = None) -> AsyncIterator[Event]:
        """Events from now on; with `after`, first the kept ones with a higher sequence number.

        If `after` is higher than any number published since the start, it comes from before a
        restart, and all kept events are given.
        """
        queue: asyncio.Queue[Event | None] = asyncio.Queue()
        if after is not None:
            since = after if after <= self._sequence else 0
            for event in self._kept:
                if event.sequence > since:
                    queue.put_nowait(event)
        self._watchers.add(queue)
        try:
            while (event_or_end := await queue.get()) is not None:
                yield event_or_end
        finally:
            self._watchers.discard(queue)

    def close(self) -> None:
        """End every watcher's iterator."""
        for queue in list(self._watchers):
            queue.put_nowait(None)
        self._watchers.clear()
