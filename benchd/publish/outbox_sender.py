"""Sending outbox rows over one connection: in order, with a limit on unconfirmed messages.

Rows are taken from the store, published, and marked delivered in turn by two tasks, so that the
disk and the broker work at the same time. Order is kept: a row's message leaves before the next
row is taken up, and MQTT keeps the order of messages of one quality of service (3.1.1, 4.6).
"""

from __future__ import annotations

import asyncio
from functools import partial
from time import monotonic
from typing import Protocol

from aiomqtt import MqttError

from benchd.publish.connection import BrokerRefused, Client, publish_properties
from benchd.store import OutboxRow

TRACE_EXPIRES_S = 3600  # a trace is for live pictures, and of no use an hour later

GATHER_S = 0.05
LOOKS = 10
"""How often, in the time in which the broker must confirm a message, it is looked whether it has.
One look for all of them: a time limit for each would take longer than sending it."""


class Source(Protocol):
    """The outbox as seen from here: gives rows to send, and is told which are delivered."""

    async def next_rows(self, busy: set[int]) -> list[OutboxRow]:
        """Rows to send whose numbers are not in `busy`; waits until there are some."""
        ...

    async def have_delivered(self, numbers: list[int]) -> None:
        """The broker has confirmed these."""
        ...

    def epoch_message(self) -> str:
        """The retained message on the topic `epoch` that follows each batch of rows."""
        ...


class OutboxSender:
    """Sends the outbox over one connection.

    base: the topic below which rows are published. window: most messages without a confirmation.
    epoch: the topic of the mark that follows them, so that the broker too knows how far the bench
    has published. speaks_5: whether messages may carry an expiry.
    """

    def __init__(
        self,
        source: Source,
        client: Client,
        base: str,
        epoch: str,
        *,
        window: int,
        speaks_5: bool,
    ) -> None:
        self._source = source
        self._client = client
        self._base = base
        self._epoch = epoch
        self._speaks_5 = speaks_5
        self._window = asyncio.Semaphore(window)
        self._busy: set[int] = set()
        self._unconfirmed: dict[int, float] = {}  # row number -> when it was sent, oldest first
        self._confirmed: list[int] = []
        self._refused_on = ""
        self._news = asyncio.Event()

    async def run(self) -> None:
        """Send for ever. Raises MqttError, BrokerRefused or StoreError."""
        try:
            async with asyncio.TaskGroup() as tasks:
                tasks.create_task(self._mark_as_they_come(), name="mqtt delivered")
                tasks.create_task(self._watch(), name="mqtt unconfirmed")
                while True:
                    rows = await self._source.next_rows(self._busy)
                    for row in rows:
                        await self._window.acquire()
                        self._busy.add(row.number)
                        self._post(row)
                    if any(row.sequence is not None for row in rows):
                        tasks.create_task(self._send_mark(), name="mqtt epoch")
        finally:
            await self._mark()

    def _post(self, row: OutboxRow) -> None:
        topic = f"{self._base}/{row.topic}"
        expires = self._speaks_5 and row.topic.startswith("trace/")
        self._unconfirmed[row.number] = monotonic()
        self._client.post(
            topic,
            row.payload,
            partial(self._has_confirmed, row.number, topic),
            qos=row.qos,
            retain=row.retain,
            properties=publish_properties(expiry_s=TRACE_EXPIRES_S) if expires else None,
        )

    def _has_confirmed(self, number: int, topic: str) -> None:
        self._window.release()
        del self._unconfirmed[number]
        if self._client.refusal is None:
            self._confirmed.append(number)
        else:
            self._refused_on = self._refused_on or topic
        self._news.set()

    async def _watch(self) -> None:
        """Raise MqttError when the broker has not confirmed a message in time."""
        within_s = self._client.answer_within_s
        while True:
            oldest = next(iter(self._unconfirmed.values()), None)
            if oldest is not None and monotonic() - oldest > within_s:
                raise MqttError(f"it did not acknowledge a message within {within_s:g} s")
            await asyncio.sleep(within_s / LOOKS)

    async def _send_mark(self) -> None:
        # Quality 0: the next one replaces it anyway, and it must not delay results.
        await self._client.send(self._epoch, self._source.epoch_message(), qos=0, retain=True)

    async def _mark_as_they_come(self) -> None:
        while True:
            # Looked at after each marking: a refusal may have come while the others were marked.
            if self._refused_on:
                raise BrokerRefused(
                    f"the broker threw a message away ({self._client.refusal}), "
                    f"{self._refused_on} or one sent close to it.",
                    advice="Nothing is lost: it stays in the outbox. The broker's access rules "
                    f"must allow this user to read and write {self._base}/#.",
                )
            await self._news.wait()
            # Marking is a transaction, and captures cannot be stored meanwhile.
            await asyncio.sleep(GATHER_S)
            await self._mark()

    async def _mark(self) -> None:
        self._news.clear()
        numbers, self._confirmed = self._confirmed, []
        if numbers:
            await self._source.have_delivered(numbers)
            self._busy.difference_update(numbers)
