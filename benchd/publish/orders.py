"""Answers orders. Knows nothing of MQTT: bytes in, a reply out.

An order may arrive twice (QoS 1) and is carried out once: the answer is remembered under the
sender's `order` id. Retained orders are ignored: a broker hands them out again at every
connection, and nobody means "queue this whenever the daemon starts".
"""

from __future__ import annotations

import asyncio
from collections import OrderedDict
from collections.abc import Awaitable, Callable
from datetime import UTC, datetime
from typing import Any, Protocol

import structlog

from benchd.errors import BenchdError, OrderRefused
from benchd.publish.order_models import (
    Order,
    QueueOrder,
    ReadyOrder,
    ReplayOrder,
    WithdrawOrder,
    parse_order,
    peek,
)
from benchd.publish.payloads import ReplyMessage, job_summary
from benchd.store import JobRow

log = structlog.get_logger(__name__)

REMEMBERED_ORDERS = 1000
ANSWER_WITHIN_S = 30.0


class OrderHandler(Protocol):
    """Who carries orders out. All methods raise BenchdError where they refuse."""

    async def queue(
        self,
        recipe: str,
        arguments: dict[str, str],
        *,
        priority: int = 0,
        not_before: datetime | None = None,
        finish_by: datetime | None = None,
    ) -> JobRow:
        """Queue a recipe by its name."""
        ...

    async def withdraw(self, job_id: str, /) -> JobRow:
        """Stop a job for good."""
        ...

    async def ready(self, job_id: str, step: int | None = None, /) -> JobRow:
        """A hands request has been fulfilled."""
        ...


class OrderBook:
    """Reads orders, has them carried out, and remembers the answers.

    replay: marks events for sending again, and returns how many; from and to as in the order.
    """

    def __init__(
        self,
        bench: str,
        handler: OrderHandler,
        replay: Callable[[int, int | None], Awaitable[int]],
        *,
        clock: Callable[[], datetime] = lambda: datetime.now(UTC),
    ) -> None:
        self._bench = bench
        self._handler = handler
        self._replay = replay
        self._clock = clock
        self._answered: OrderedDict[str, tuple[bytes, ReplyMessage]] = OrderedDict()

    async def answer(self, payload: bytes, *, retained: bool = False) -> ReplyMessage | None:
        """Carry out one order. None for a retained one. Raises only if cancelled."""
        if retained:
            log.warning("retained order ignored", bench=self._bench, size=len(payload))
            return None
        order_id, verb = peek(payload)
        if order_id is not None and order_id in self._answered:
            return self._again(order_id, payload)
        try:
            fields = await self._carry_out(parse_order(payload))
        except BenchdError as error:
            return self._reply(order_id, verb, ok=False, error=error.as_dict())
        except TimeoutError:
            late = BenchdError(
                f"not answered within {ANSWER_WITHIN_S:.0f} s; it may still be carried out.",
                advice="Look at the jobs before you send it again.",
            )
            reply = self._reply(order_id, verb, ok=False, error=late.as_dict())
        except Exception:
            log.exception("an order hit a fault in benchd", bench=self._bench, verb=verb)
            fault = BenchdError("a fault in benchd.", advice="Its log says more; please report it.")
            reply = self._reply(
                order_id, verb, ok=False, error={**fault.as_dict(), "family": "fault"}
            )
        else:
            reply = self._reply(order_id, verb, ok=True, **fields)
        self._remember(order_id, payload, reply)
        return reply

    def busy(self, payload: bytes) -> ReplyMessage:
        """The answer where too many orders wait already; the order was not carried out."""
        error = OrderRefused("too many orders wait.", advice="Send it again later.")
        return self._reply(*peek(payload), ok=False, error=error.as_dict())

    async def _carry_out(self, order: Order) -> dict[str, Any]:
        async with asyncio.timeout(ANSWER_WITHIN_S):
            match order:
                case QueueOrder():
                    job = await self._handler.queue(
                        order.recipe,
                        dict(order.arguments),
                        priority=order.priority,
                        not_before=order.not_before,
                        finish_by=order.finish_by,
                    )
                case WithdrawOrder():
                    job = await self._handler.withdraw(order.job)
                case ReadyOrder():
                    job = await self._handler.ready(order.job, order.step)
                case ReplayOrder():
                    count = await self._replay(order.from_sequence, order.to_sequence)
                    return {"replayed": count}
        return {"job": job_summary(job)}

    def _again(self, order_id: str, payload: bytes) -> ReplyMessage:
        before, reply = self._answered[order_id]
        if before == payload:
            return reply
        error = OrderRefused(
            f"the order id {order_id} was used for another order.",
            advice="Give every order an id of its own.",
        )
        return self._reply(order_id, peek(payload)[1], ok=False, error=error.as_dict())

    def _remember(self, order_id: str | None, payload: bytes, reply: ReplyMessage) -> None:
        if order_id is None:
            return
        self._answered[order_id] = (payload, reply)
        while len(self._answered) > REMEMBERED_ORDERS:
            self._answered.popitem(last=False)

    def _reply(
        self, order_id: str | None, verb: str | None, *, ok: bool, **fields: Any
    ) -> ReplyMessage:
        return ReplyMessage(
            bench=self._bench, at=self._clock(), order=order_id, verb=verb, ok=ok, **fields
        )
