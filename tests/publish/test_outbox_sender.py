"""Confirmations and refusals of outbox messages, at moments that a real broker hits by chance."""

from __future__ import annotations

import asyncio
from collections.abc import Callable
from typing import Any

import pytest

from benchd.publish import outbox_sender
from benchd.publish.connection import BrokerRefused
from benchd.publish.outbox_sender import OutboxSender
from benchd.store import OutboxRow
from tests.patience import PATIENCE_S


class Broker:
    """A client that confirms, or refuses, when the test says so."""

    answer_within_s = PATIENCE_S

    def __init__(self) -> None:
        self.refusal: str | None = None
        self.sent: list[tuple[str, Callable[[], None]]] = []

    def post(self, topic: str, payload: str, confirmed: Callable[[], None], **_: Any) -> None:
        self.sent.append((topic, confirmed))

    async def send(self, *_: Any, **__: Any) -> None: ...


class Outbox:
    """Two rows, and no more; notes what is marked as delivered."""

    def __init__(self) -> None:
        self.delivered: list[int] = []
        self.marked = asyncio.Event()

    async def next_rows(self, busy: set[int]) -> list[OutboxRow]:
        if busy or self.delivered:
            await asyncio.sleep(PATIENCE_S)
        return [OutboxRow(n, n, f"topic/{n}", "{}", False, 1) for n in (1, 2)]

    async def have_delivered(self, numbers: list[int]) -> None:
        self.delivered += numbers
        self.marked.set()

    def epoch_message(self) -> str:
        return "{}"


async def test_a_refusal_while_another_message_waits_to_be_marked_is_told(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    monkeypatch.setattr(outbox_sender, "GATHER_S", 0.1)
    broker, outbox = Broker(), Outbox()
    sender = OutboxSender(
        outbox,
        broker,  # type: ignore[arg-type]
        "base",
        "base/epoch",
        window=20,
        speaks_5=True,
    )
    running = asyncio.create_task(sender.run())
    async with asyncio.timeout(PATIENCE_S):
        while len(broker.sent) < 2:
            await asyncio.sleep(0.001)
        broker.sent[0][1]()
        await asyncio.sleep(0.01)  # the sender gathers now what it is going to mark
        broker.refusal = "Not authorized"
        broker.sent[1][1]()
        with pytest.raises(ExceptionGroup) as raised:
            await running
    (told,) = raised.value.exceptions
    assert isinstance(told, BrokerRefused)
    assert "base/topic/2" in str(told)
    assert outbox.delivered == [1]
