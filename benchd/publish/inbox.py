"""The queue of received orders, which accepts any number of them and answers each.

The client library acknowledges a message before benchd gets it, so an order that is not accepted at
once would be lost. Therefore `take` never waits. Withdrawals have a queue of their own (a lane)
without a limit, since an order that switches RF off must never be put off. All other orders wait in
a queue of limited length; if it is full, the order is answered `busy`.
"""

from __future__ import annotations

import asyncio
from collections import deque
from collections.abc import Awaitable, Callable, Coroutine, Sized
from dataclasses import dataclass
from typing import Any

import structlog

from benchd.errors import OrderRefused
from benchd.publish.order_models import WithdrawOrder
from benchd.publish.orders import Opened, OrderBook
from benchd.publish.payloads import ReplyMessage

log = structlog.get_logger(__name__)

WAITING_ORDERS = 200
SENDING_AT_ONCE = 20
MOST_REPLIES = 10_000
"""Most answers that wait to be sent for orders that were not carried out; more are only counted."""
MOST_LETTERS = 10_000
"""Most withdrawals whose senders are remembered for an answer; of further ones only the job is."""
MOST_WITHDRAWALS = 2_000
"""Jobs to be withdrawn; more than can be open at once, so beyond it only open ones are kept."""
LONGEST_KEPT_CORRELATION = 1024  # bytes


@dataclass(frozen=True, slots=True)
class Envelope:
    """The response topic and the correlation data of an MQTT 5.0 sender (4.10.1)."""

    response_topic: str | None = None
    correlation: bytes | None = None

    @property
    def is_small(self) -> bool:
        """Whether it is small enough for thousands of them to wait."""
        return len(self.correlation or b"") <= LONGEST_KEPT_CORRELATION


Letter = tuple[Opened, Envelope]


class Inbox:
    """The orders of one connection. `take` is called by whoever reads, `run` works for ever.

    send: sends one answer. open_jobs: ids of the jobs that have not ended.
    """

    def __init__(
        self,
        orders: OrderBook,
        send: Callable[[ReplyMessage, Envelope], Coroutine[Any, Any, None]],
        open_jobs: Callable[[], Awaitable[set[str]]],
    ) -> None:
        self._orders = orders
        self._send = send
        self._open_jobs = open_jobs
        self._waiting: deque[Letter] = deque()
        self._withdrawals: dict[str, list[Letter]] = {}
        self._letters = 0
        self._replies: deque[tuple[ReplyMessage, Envelope]] = deque()
        self._uncounted = 0
        self._news = {lane: asyncio.Event() for lane in ("waiting", "withdrawals", "replies")}

    def take(self, payload: bytes, envelope: Envelope) -> None:
        """Take one order. Returns at once."""
        opened = self._orders.open(payload)
        if isinstance(opened.order, WithdrawOrder):
            self._take_withdrawal(opened.order.job, opened, envelope)
        elif opened.order is None:
            self._turn_away(self._orders.refusal(opened), envelope)
        elif len(self._waiting) >= WAITING_ORDERS:
            self._turn_away(self._orders.busy(opened), envelope)
        else:
            self._waiting.append((opened, envelope))
            self._news["waiting"].set()

    def _take_withdrawal(self, job: str, opened: Opened, envelope: Envelope) -> None:
        letters = self._withdrawals.setdefault(job, [])
        if self._letters < MOST_LETTERS or not letters:
            # The first order for a job is always kept, so that it is carried out.
            kept = envelope if envelope.is_small else Envelope()
            letters.append((opened, kept))
            self._letters += 1
        else:
            self._uncounted += 1
        self._news["withdrawals"].set()

    def _turn_away(self, reply: ReplyMessage, envelope: Envelope) -> None:
        if len(self._replies) >= MOST_REPLIES:
            self._uncounted += 1
            return
        self._put(reply, envelope if envelope.is_small else Envelope())

    def _put(self, reply: ReplyMessage, envelope: Envelope) -> None:
        self._replies.append((reply, envelope))
        self._news["replies"].set()

    async def run(self) -> None:
        """Carry out orders and answer them, without end. Raises MqttError on a lost connection."""
        async with asyncio.TaskGroup() as tasks:
            tasks.create_task(self._carry_out(), name="mqtt orders")
            tasks.create_task(self._withdraw(), name="mqtt withdrawals")
            tasks.create_task(self._answer(), name="mqtt replies")

    async def _carry_out(self) -> None:
        while True:
            await self._next("waiting", self._waiting)
            opened, envelope = self._waiting.popleft()
            (reply,) = await self._orders.carry_out([opened])
            self._put(reply, envelope)

    async def _withdraw(self) -> None:
        """Carry out withdrawals; several that wait for the same job are carried out as one."""
        while True:
            await self._next("withdrawals", self._withdrawals)
            if len(self._withdrawals) > MOST_WITHDRAWALS:
                await self._drop_invalid()
                continue
            job = next(iter(self._withdrawals))
            letters = self._withdrawals.pop(job)
            self._letters -= len(letters)
            replies = await self._orders.carry_out([opened for opened, _ in letters])
            for reply, (_, envelope) in zip(replies, letters, strict=True):
                self._put(reply, envelope)

    async def _drop_invalid(self) -> None:
        """Refuse withdrawals of jobs that are not open, all at once."""
        named = list(self._withdrawals)
        is_open = await self._open_jobs()
        log.warning("very many withdrawals", jobs_named=len(named), jobs_open=len(is_open))
        for job in named:
            if job in is_open:
                continue
            letters = self._withdrawals.pop(job)
            self._letters -= len(letters)
            error = OrderRefused(f"there is no job {job} that could be withdrawn.")
            for opened, envelope in letters:
                self._turn_away(self._orders.refused(opened, error), envelope)

    async def _answer(self) -> None:
        window = asyncio.Semaphore(SENDING_AT_ONCE)
        async with asyncio.TaskGroup() as tasks:
            while True:
                if not self._replies and self._uncounted:
                    count, self._uncounted = self._uncounted, 0
                    log.warning("orders were only counted", count=count)
                    self._put(self._orders.uncounted(count), Envelope())
                await self._next("replies", self._replies)
                reply, envelope = self._replies.popleft()
                await window.acquire()
                sending = tasks.create_task(self._send(reply, envelope), name="mqtt reply")
                sending.add_done_callback(lambda _: window.release())

    async def _next(self, lane: str, filled: Sized) -> None:
        """Wait until there is something in a lane."""
        while not len(filled):
            self._news[lane].clear()
            await self._news[lane].wait()
