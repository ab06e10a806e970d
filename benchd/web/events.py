"""Server-sent events (WHATWG HTML, section 9.2): what happens on the bench, as it happens.

A client that lost its connection sends the last id it saw in Last-Event-ID and misses nothing
that the engine still holds.
"""

from __future__ import annotations

import asyncio
import json
import re
from collections.abc import AsyncIterator, Callable
from typing import Any, TypeVar

import anyio
from starlette.responses import Response, StreamingResponse
from starlette.types import Receive, Scope, Send

from benchd.engine.desk import BenchDesk
from benchd.engine.events import Event
from benchd.engine.livelook.telling import Told
from benchd.errors import OrderRefused, UserError
from benchd.web.documents import encode
from benchd.web.settings import HttpSettings

T = TypeVar("T")

RECONNECT_MS = 1000
GATHER_S = 0.2
"""Events that follow one another within this are sent together, s: sending takes longer than all
else that a viewer costs. The first after a pause is sent at once."""
MOST_GATHERED = 500
TEXTS_KEPT = 100
_LARGEST_SEQUENCE = 2**63 - 1


def event_text(event: Event) -> bytes:
    """One event on the wire.

    JSON in ASCII holds nothing that any reader takes for a line break (some do so for U+2028),
    so one `data` line carries it.
    """
    data = json.dumps(encode(event.data), allow_nan=False)
    return f"id: {event.sequence}\nevent: {event.kind}\ndata: {data}\n\n".encode("ascii")


def told_text(told: Told) -> bytes:
    """One message to the viewers of a live look on the wire. It has no id: none is sent again."""
    data = json.dumps(encode(told.data), allow_nan=False)
    return f"event: {told.kind}\ndata: {data}\n\n".encode("ascii")


def last_seen(header: str | None, query: str | None) -> int | None:
    """The sequence number to continue after: Last-Event-ID first, then `?after=`.

    Raises UserError where it is not a number.
    """
    text = header if header else query
    if text is None or text == "":
        return None
    if not re.fullmatch("[0-9]{1,19}", text) or int(text) > _LARGEST_SEQUENCE:
        raise UserError(
            "the id of the last event seen must be a whole number.",
            where="Last-Event-ID" if header else "after",
        )
    return int(text)


class Streams:
    """All open event streams: counts them, and ends them when the daemon stops."""

    def __init__(self, desk: BenchDesk, settings: HttpSettings) -> None:
        self._desk = desk
        self._settings = settings
        self._open = 0
        self._closing = asyncio.Event()
        self._texts: dict[int, tuple[Event, bytes]] = {}

    def close(self) -> None:
        """End all streams; their clients will reconnect to the next daemon."""
        self._closing.set()

    def open(self, after: int | None) -> Response:
        """A response that streams. Raises OrderRefused where too many are open.

        Its place is taken at once: ten requests that come together must not all find the last
        place free.
        """
        return self._opened(lambda: self.stream(after))

    def open_live(self) -> Response:
        """A response that streams the sweeps of the live look. They are not kept, and a client that
        is too slow misses some. Raises OrderRefused where there is no look, or no room."""
        told = self._desk.looks.watch()
        return self._opened(lambda: self._lines(told, told_text, gather_s=0.0, most=1))

    def _opened(self, lines: Callable[[], AsyncIterator[bytes]]) -> Response:
        if self._open >= self._settings.stream_limit:
            raise OrderRefused(
                f"{self._open} event streams are open already.",
                advice="Close one that nobody reads.",
            )
        self._open += 1
        return _EventResponse(lines(), self._leave)

    def _leave(self) -> None:
        self._open -= 1

    def stream(self, after: int | None) -> AsyncIterator[bytes]:
        """The text of one stream of the bench's events."""
        events = self._desk.events(after)
        return self._lines(events, self._text, gather_s=GATHER_S, most=MOST_GATHERED)

    def _text(self, event: Event) -> bytes:
        """One event on the wire, worked out once for all who read it at the same time."""
        event_and_text = self._texts.get(event.sequence)
        if event_and_text is None or event_and_text[0] is not event:
            event_and_text = event, event_text(event)
            self._texts[event.sequence] = event_and_text
            while len(self._texts) > TEXTS_KEPT:
                del self._texts[next(iter(self._texts))]
        return event_and_text[1]

    async def _lines(
        self,
        source: AsyncIterator[T],
        text: Callable[[T], bytes],
        *,
        gather_s: float,
        most: int,
    ) -> AsyncIterator[bytes]:
        """The text of a stream. most: items that wait here for a slow reader; what comes beyond
        waits in the source."""
        taken = _Taken(source, most)
        closing = asyncio.create_task(self._closing.wait(), name="end of an event stream")
        closing.add_done_callback(lambda _: taken.news.set())
        try:
            # The first step of the source is taken before a byte is sent: a client that has seen
            # the retry line and then reads the bench's state cannot miss a change between the two.
            await asyncio.sleep(0)
            yield f"retry: {RECONNECT_MS}\n\n".encode()
            while True:
                try:
                    async with asyncio.timeout(self._settings.keep_alive_s):
                        await taken.news.wait()
                except TimeoutError:
                    yield b": still here\n\n"
                    continue
                items = taken.all()
                if items:
                    yield b"".join(map(text, items))
                if closing.done() or (taken.ended and not items):
                    return
                await asyncio.wait({closing}, timeout=gather_s)
        finally:
            # A client that goes away cancels this generator; the clean-up must still end.
            with anyio.CancelScope(shield=True):
                await _end(closing, taken.task)
                close = getattr(source, "aclose", None)
                if close is not None:
                    await close()


class _Taken:
    """Takes items from a source as they come, and keeps them until they are sent.

    news: is set when there are some, or when the source has ended.
    """

    def __init__(self, source: AsyncIterator[Any], most: int) -> None:
        self.news = asyncio.Event()
        self._items: list[Any] = []
        self._most = most
        self._room = asyncio.Event()
        self.task = asyncio.create_task(self._take(source), name="events for a stream")

    async def _take(self, source: AsyncIterator[Any]) -> None:
        try:
            async for item in source:
                self._items.append(item)
                self.news.set()
                if len(self._items) >= self._most:
                    self._room.clear()
                    await self._room.wait()
        finally:
            self.news.set()

    def all(self) -> list[Any]:
        """All that have come. Raises what the source has raised."""
        items, self._items = self._items, []
        self.news.clear()
        self._room.set()
        if self.ended:
            self.news.set()
            if not items:
                self.task.result()
        return items

    @property
    def ended(self) -> bool:
        """Whether no more will come."""
        return self.task.done()


class _EventResponse(StreamingResponse):
    """Gives its place back however it ends, also where not a byte could be sent."""

    def __init__(self, content: AsyncIterator[bytes], leave: Callable[[], None]) -> None:
        super().__init__(
            content, media_type="text/event-stream", headers={"x-accel-buffering": "no"}
        )
        self._leave = leave

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        try:
            await super().__call__(scope, receive, send)
        finally:
            self._leave()


async def _end(*tasks: asyncio.Task[Any] | None) -> None:
    for task in tasks:
        if task is not None:
            task.cancel()
            await asyncio.wait({task})
