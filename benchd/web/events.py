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
        self._newest: tuple[Event, bytes] | None = None

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
        return self._opened(lambda: self._lines(told, told_text))

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
        return self._lines(self._desk.events(after), self._text)

    def _text(self, event: Event) -> bytes:
        """One event on the wire, worked out once for all who read it at the same time."""
        if self._newest is None or self._newest[0] is not event:
            self._newest = (event, event_text(event))
        return self._newest[1]

    async def _lines(
        self, source: AsyncIterator[T], text: Callable[[T], bytes]
    ) -> AsyncIterator[bytes]:
        # The first step of the source is taken before a byte is sent: a client that has seen the
        # retry line and then reads the bench's state cannot miss a change between the two.
        pending: asyncio.Task[T | None] | None = asyncio.create_task(_next(source))
        closing = asyncio.create_task(self._closing.wait(), name="end of an event stream")
        try:
            await asyncio.sleep(0)
            yield f"retry: {RECONNECT_MS}\n\n".encode()
            while True:
                if pending is None:
                    pending = asyncio.create_task(_next(source), name="next event")
                done, _ = await asyncio.wait(
                    {pending, closing},
                    timeout=self._settings.keep_alive_s,
                    return_when=asyncio.FIRST_COMPLETED,
                )
                if pending in done:
                    event, pending = pending.result(), None
                    if event is None:
                        return
                    yield text(event)
                elif closing in done:
                    return
                else:
                    yield b": still here\n\n"
        finally:
            # A client that goes away cancels this generator; the clean-up must still end.
            with anyio.CancelScope(shield=True):
                await _end(closing, pending)
                close = getattr(source, "aclose", None)
                if close is not None:
                    await close()


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


async def _next(source: AsyncIterator[T]) -> T | None:
    return await anext(source, None)


async def _end(*tasks: asyncio.Task[Any] | None) -> None:
    for task in tasks:
        if task is not None:
            task.cancel()
            await asyncio.wait({task})
