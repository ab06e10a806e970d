"""Helpers of the broker tests: a running pump, a listening stranger, and waiting for facts."""

from __future__ import annotations

import asyncio
import contextlib
import json
import random
from collections.abc import AsyncIterator, Callable
from typing import Any

import aiomqtt

from benchd.publish import BrokerSettings, OrderHandler, Pump, Retry
from benchd.store import Store
from tests.patience import PATIENCE_S


def quick_retry(refused_s: float = 0.05) -> Retry:
    return Retry(first_s=0.02, most_s=0.1, refused_s=refused_s, random=random.Random(1))


@contextlib.asynccontextmanager
async def pumping(
    store: Store,
    settings: BrokerSettings,
    *,
    handler: OrderHandler | None = None,
    connect: bool = True,
    **options: Any,
) -> AsyncIterator[Pump]:
    options.setdefault("retry", quick_retry())
    pump = Pump(store, "workshop", settings, handler=handler, **options)
    task = asyncio.create_task(pump.run())
    try:
        if connect:
            connected = asyncio.ensure_future(pump.connected.wait())
            async with asyncio.timeout(PATIENCE_S):
                await asyncio.wait({task, connected}, return_when=asyncio.FIRST_COMPLETED)
            if task.done():
                connected.cancel()
                task.result()
        yield pump
    finally:
        task.cancel()
        with contextlib.suppress(asyncio.CancelledError):
            await task


async def until(condition: Callable[[], bool], *, what: str = "") -> None:
    """Wait for something to become true; a test fails by hanging only after PATIENCE_S."""
    async with asyncio.timeout(PATIENCE_S):
        while not condition():
            await asyncio.sleep(0.005)


async def until_delivered(store: Store) -> None:
    async with asyncio.timeout(PATIENCE_S):
        while await asyncio.to_thread(store.outbox_count, "workshop"):
            await asyncio.sleep(0.01)


def stranger(port: int, **options: Any) -> aiomqtt.Client:
    return aiomqtt.Client("127.0.0.1", port, **options)


@contextlib.asynccontextmanager
async def listening(
    port: int, topic: str = "benchd/workshop/#", **options: Any
) -> AsyncIterator[aiomqtt.Client]:
    async with stranger(port, **options) as client:
        await client.subscribe(topic, qos=1)
        yield client


async def heard(client: aiomqtt.Client, count: int, part: str = "") -> list[aiomqtt.Message]:
    """The next `count` messages whose topic holds `part`, without the mark behind each batch.

    The embedded broker also hands out retained messages that nobody subscribed to.
    """
    found: list[aiomqtt.Message] = []
    async with asyncio.timeout(PATIENCE_S):
        while len(found) < count:
            message = await anext(client.messages)
            topic = str(message.topic)
            if part in topic and not topic.endswith("/epoch"):
                found.append(message)
    return found


async def heard_on(client: aiomqtt.Client, end_of_topic: str) -> dict[str, Any]:
    """The next message whose topic ends so."""
    async with asyncio.timeout(PATIENCE_S):
        async for message in client.messages:
            if str(message.topic).endswith(end_of_topic):
                return read(message)
    raise AssertionError("the broker hung up")


def read(message: aiomqtt.Message) -> dict[str, Any]:
    value: dict[str, Any] = json.loads(message.payload)
    return value
