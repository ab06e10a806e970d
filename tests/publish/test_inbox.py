"""The lanes of orders, without a broker: everything is taken, everything is answered."""

import asyncio
import contextlib
import json
from collections.abc import AsyncIterator
from typing import Any

import pytest

from benchd.publish import inbox
from benchd.publish.inbox import Envelope, Inbox
from benchd.publish.orders import OrderBook
from benchd.publish.payloads import ReplyMessage
from tests.publish.listening import until
from tests.publish.test_orders import Recording
from tests.store.examples import TAKEN_AT


class Office:
    """An inbox with a recording handler and a recording postman."""

    def __init__(self) -> None:
        self.handler = Recording()
        self.sent: list[tuple[ReplyMessage, Envelope]] = []
        self.open_jobs = {"job-1"}
        self.may_send = asyncio.Event()
        book = OrderBook("workshop", self.handler, self.handler.replay, clock=lambda: TAKEN_AT)
        self.inbox = Inbox(book, self._send, self._open)

    async def _send(self, reply: ReplyMessage, to: Envelope) -> None:
        await self.may_send.wait()
        self.sent.append((reply, to))

    async def _open(self) -> set[str]:
        return self.open_jobs

    def take(self, verb: str, order: str, envelope: Envelope | None = None, **more: Any) -> None:
        payload = json.dumps({"verb": verb, "order": order, **more}).encode()
        self.inbox.take(payload, envelope or Envelope())

    @contextlib.asynccontextmanager
    async def working(self) -> AsyncIterator[None]:
        task = asyncio.create_task(self.inbox.run())
        try:
            yield
        finally:
            task.cancel()
            with contextlib.suppress(asyncio.CancelledError):
                await task

    def outcomes(self) -> list[tuple[str | None, str]]:
        return [
            (reply.order, "ok" if reply.ok else (reply.error or {})["family"])
            for reply, _ in self.sent
        ]


@pytest.fixture
async def office() -> Office:
    return Office()


async def test_an_order_that_finds_the_line_full_is_busy_and_a_withdrawal_never_is(
    office: Office, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(inbox, "WAITING_ORDERS", 2)
    for number in range(4):
        office.take("ready", f"r{number}", job="job-1")
    for number in range(4):
        office.take("withdraw", f"w{number}", job=f"job-{number}")
    office.may_send.set()
    async with office.working():
        await until(lambda: len(office.sent) == 8)
    assert sorted(office.outcomes()) == [
        ("r0", "ok"), ("r1", "ok"), ("r2", "busy"), ("r3", "busy"),
        ("w0", "ok"), ("w1", "ok"), ("w2", "ok"), ("w3", "ok"),
    ]  # fmt: skip


async def test_withdrawals_of_one_job_are_carried_out_once_and_answered_each(
    office: Office,
) -> None:
    for number in range(50):
        office.take("withdraw", f"w{number}", job="job-1")
    office.may_send.set()
    async with office.working():
        await until(lambda: len(office.sent) == 50)
    assert office.outcomes() == [(f"w{number}", "ok") for number in range(50)]
    assert office.handler.asked == [("withdraw", "job-1")]


async def test_a_flood_of_withdrawals_of_nothing_drops_those_and_no_other(
    office: Office, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(inbox, "MOST_WITHDRAWALS", 20)
    for number in range(100):
        office.take("withdraw", f"w{number}", job=f"job-{number}")
    office.may_send.set()
    async with office.working():
        await until(lambda: len(office.sent) == 100)
    assert office.handler.asked == [("withdraw", "job-1")]
    assert dict(office.outcomes()) == {
        f"w{number}": "ok" if number == 1 else "refused" for number in range(100)
    }


async def test_answers_beyond_a_limit_are_counted_and_a_withdrawal_is_carried_out_still(
    office: Office, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(inbox, "MOST_REPLIES", 3)
    monkeypatch.setattr(inbox, "MOST_LETTERS", 2)
    for _ in range(10):
        office.inbox.take(b"nonsense", Envelope())
    for number in range(10):
        office.take("withdraw", f"w{number}", job=f"job-{number % 3}")
    office.may_send.set()
    async with office.working():
        await until(lambda: len(office.sent) == 7)
    assert sorted(office.handler.asked) == [("withdraw", f"job-{number}") for number in range(3)]
    assert sorted(office.outcomes(), key=str) == [
        ("w0", "ok"), ("w1", "ok"), ("w2", "ok"),
        (None, "busy"), (None, "refused"), (None, "refused"), (None, "refused"),
    ]  # fmt: skip
    (told,) = [one.error["message"] for one, _ in office.sent if "14 more" in str(one.error)]
    assert told.startswith("14 more orders came than can be answered one by one")


async def test_an_answer_goes_where_its_order_asks(office: Office) -> None:
    small, large = Envelope("anna/replies", b"7"), Envelope("anna/replies", b"7" * 2000)
    office.take("ready", "r1", small, job="job-1")
    office.take("ready", "r2", large, job="job-1")
    office.take("explode", "x1", small)
    office.take("explode", "x2", large)
    office.take("withdraw", "w1", small, job="job-1")
    office.take("withdraw", "w2", large, job="job-1")
    office.may_send.set()
    async with office.working():
        await until(lambda: len(office.sent) == 6)
    found = {reply.order: envelope for reply, envelope in office.sent}
    # A large correlation is kept for orders in the short line only.
    assert found == {
        "r1": small, "r2": large, "x1": small, "x2": Envelope(), "w1": small, "w2": Envelope(),
    }  # fmt: skip
