"""The retained topic `rf`. It is sent at once and not through the outbox, where messages wait."""

from __future__ import annotations

import asyncio
from collections.abc import Callable
from contextlib import suppress
from datetime import datetime
from typing import Literal, Protocol

from benchd.publish.connection import Client
from benchd.publish.payloads import RfMessage


class RfNow(Protocol):
    """What is known of RF; see `benchd.engine.rfwatch.RfState`."""

    @property
    def state(self) -> Literal["off-verified", "not-verified", "on"]: ...
    @property
    def since(self) -> datetime: ...
    @property
    def at(self) -> datetime: ...
    @property
    def sources(self) -> tuple[str, ...]: ...
    @property
    def message(self) -> str: ...
    @property
    def advice(self) -> str: ...


class RfSource(Protocol):
    """The object that knows the state of RF."""

    @property
    def now(self) -> RfNow:
        """The present state."""
        ...

    def listen(self, listener: Callable[[], None]) -> Callable[[], None]:
        """Call `listener` after every change, in any thread; returns a function that ends this."""
        ...


class RfTopic:
    """Publishes the state of RF to one broker, over one connection after the other."""

    def __init__(self, bench: str, topic: str, source: RfSource) -> None:
        self._bench = bench
        self._topic = topic
        self._source = source

    async def keep(self, client: Client) -> None:
        """Publish the present state, then every change, without end. Raises MqttError."""
        loop = asyncio.get_running_loop()
        news = asyncio.Event()

        def changed() -> None:
            # The event loop may have ended while the bench thread was still at work.
            with suppress(RuntimeError):
                loop.call_soon_threadsafe(news.set)

        stop_listening = self._source.listen(changed)
        try:
            while True:
                news.clear()
                await self.tell(client)
                await news.wait()
        finally:
            stop_listening()

    async def tell(self, client: Client) -> None:
        """Tell the present state. Raises MqttError."""
        now = self._source.now
        message = RfMessage(
            bench=self._bench,
            state=now.state,
            since=now.since,
            at=now.at,
            sources=now.sources,
            message=now.message,
            advice=now.advice,
        )
        await client.send(self._topic, message.to_json(), retain=True)
