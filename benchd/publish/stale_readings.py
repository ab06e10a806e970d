"""Clearing bare numbers that a broker keeps and this database does not know.

After a database was restored from a backup, a broker still keeps the readings of results that the
backup does not hold. A bare number names no count of events, so nobody could tell that it is stale.
"""

from __future__ import annotations

import asyncio
from collections.abc import Awaitable, Callable

import structlog
from aiomqtt import Message

from benchd.publish.connection import Client
from benchd.publish.topics import Topics

log = structlog.get_logger(__name__)

QUIET_S = 5.0
"""A broker has sent all that it keeps when nothing came for so long."""


class StaleReadings:
    """Listens once to what the broker keeps below `reading`, and clears what has no result.

    known: asks the store for the topics of all states, below the bench's base.
    """

    def __init__(
        self, client: Client, topics: Topics, known: Callable[[], Awaitable[set[str]]]
    ) -> None:
        self._client = client
        self._topics = topics
        self._known = known
        self._kept: asyncio.Queue[str] = asyncio.Queue()

    def take(self, message: Message) -> bool:
        """Whether this was a message below `reading`, and so for nobody else."""
        relative = self._topics.relative(str(message.topic))
        if relative is None or not relative.startswith("reading/"):
            return False
        if message.retain and message.payload:
            self._kept.put_nowait(relative)
        return True

    async def run(self) -> None:
        """Clear until all was heard. Raises MqttError where the connection breaks."""
        below = self._topics.full("reading/#")
        if not await self._client.hear(below):
            log.warning("stale readings stay: the broker does not allow reading them", topic=below)
            return
        known = await self._known()
        while True:
            try:
                async with asyncio.timeout(QUIET_S):
                    topic = await self._kept.get()
            except TimeoutError:
                break
            if topic not in known:
                known = await self._known()  # it may be of a result that has come meanwhile
            if topic not in known:
                # An empty retained message takes the kept one away (MQTT 3.1.1, 3.3.1.3).
                await self._client.send(self._topics.full(topic), "", retain=True)
                log.info("a reading without a result was cleared", topic=topic)
        await self._client.forget(below)
