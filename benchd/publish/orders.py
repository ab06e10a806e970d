"""Carrying out orders: from the bytes of an order to a reply, independently of MQTT.

An order may arrive twice (QoS 1), also after a restart of the daemon, and is carried out once:
the answer is remembered under the sender's `order` id, in the transaction that carries it out.
Retained orders are ignored: a broker hands them out again at every connection, and nobody means
"queue this whenever the daemon starts".
"""

from __future__ import annotations

import asyncio
import hashlib
from collections.abc import Awaitable, Callable, Sequence
from dataclasses import dataclass
from datetime import UTC, datetime
from typing import Any, Protocol

import structlog

from benchd.errors import BenchdError, OrderRefused
from benchd.job_request import JobRequest, RecipeSource
from benchd.publish.order_memory import OrderMemory, ShortMemory
from benchd.publish.order_models import (
    Order,
    QueueOrder,
    ReadyOrder,
    ReplayOrder,
    StopOrder,
    WithdrawOrder,
    parse_order,
    peek,
)
from benchd.publish.payloads import ReplyMessage, job_summary
from benchd.store import Answered, JobRow, StoreError

log = structlog.get_logger(__name__)

ANSWER_WITHIN_S = 30.0
RECALL_WITHIN_S = 1.0

Noted = Callable[[JobRow], None]
"""Is called with the job as the order leaves it, in the transaction that carries the order out."""


class OrderHandler(Protocol):
    """The object that carries orders out. All methods raise BenchdError to refuse an order."""

    async def queue(
        self,
        source: RecipeSource,
        arguments: dict[str, str],
        request: JobRequest,
        /,
        *,
        noted: Noted | None = None,
    ) -> JobRow:
        """Queue a recipe."""
        ...

    async def withdraw(self, job_id: str, /, *, noted: Noted | None = None) -> JobRow:
        """Stop a job for good."""
        ...

    async def ready(
        self,
        job_id: str,
        step: int | None = None,
        /,
        *,
        removed_m: float | None = None,
        noted: Noted | None = None,
    ) -> JobRow:
        """A hands request has been fulfilled; before a look, with what was taken off each arm."""
        ...

    async def stop(self, job_id: str, /, *, noted: Noted | None = None) -> JobRow:
        """End a trim session as done."""
        ...


@dataclass(frozen=True, slots=True)
class Opened:
    """An order that was read. digest: SHA-256 of its bytes. error: why it cannot be carried out,
    in which case there is no `order`."""

    order_id: str | None
    verb: str | None
    digest: str
    order: Order | None
    error: dict[str, str] | None = None


@dataclass(frozen=True, slots=True)
class _Outcome:
    """What came of an order. is_final: it is not to be tried again under the same id.
    kept_as: the order id under which the answer was kept together with what the order did."""

    reply: ReplyMessage
    is_final: bool
    kept_as: str | None = None


class OrderBook:
    """Reads orders, has them carried out, and remembers the answers.

    replay: marks events for sending again, and returns how many; from and to as in the order.
    memory: where answers are kept; without one, for as long as the book lives.
    """

    def __init__(
        self,
        bench: str,
        handler: OrderHandler,
        replay: Callable[[int, int | None], Awaitable[int]],
        *,
        memory: OrderMemory | None = None,
        clock: Callable[[], datetime] = lambda: datetime.now(UTC),
    ) -> None:
        self._bench = bench
        self._handler = handler
        self._replay = replay
        self._memory: OrderMemory = memory if memory is not None else ShortMemory()
        self._clock = clock

    def open(self, payload: bytes) -> Opened:
        """Read an order. Never raises: what is wrong with it stands in `error`."""
        order_id, verb = peek(payload)
        digest = hashlib.sha256(payload).hexdigest()
        try:
            return Opened(order_id, verb, digest, parse_order(payload))
        except OrderRefused as error:
            return Opened(order_id, verb, digest, None, error.as_dict())

    async def answer(self, payload: bytes, *, retained: bool = False) -> ReplyMessage | None:
        """Carry out one order. None for a retained one. Raises only if cancelled."""
        if retained:
            log.warning("retained order ignored", bench=self._bench, size=len(payload))
            return None
        (reply,) = await self.carry_out([self.open(payload)])
        return reply

    def refusal(self, opened: Opened) -> ReplyMessage:
        """The answer to an order that could not be read."""
        return self._reply(opened, ok=False, error=opened.error)

    def refused(self, opened: Opened, error: BenchdError) -> ReplyMessage:
        """The answer to an order that is refused for another reason."""
        return self._reply(opened, ok=False, error=error.as_dict())

    def busy(self, opened: Opened) -> ReplyMessage:
        """The answer where too many orders wait already; the order was not carried out."""
        error = OrderRefused("too many orders wait.", advice="Send it again later.")
        return self._reply(opened, ok=False, error={**error.as_dict(), "family": "busy"})

    def uncounted(self, count: int) -> ReplyMessage:
        """One answer for many orders that were only counted, since too many came."""
        error = OrderRefused(
            f"{count} more orders came than can be answered one by one; they were not carried out, "
            "but for withdrawals.",
            advice="Send them again later, more slowly.",
        )
        nobody = Opened(None, None, "", None)
        return self._reply(nobody, ok=False, error={**error.as_dict(), "family": "busy"})

    async def carry_out(self, orders: Sequence[Opened]) -> list[ReplyMessage]:
        """Carry out orders that all ask for the same, once; one answer to each.

        An order that was answered before gets that answer and is not carried out again.
        Raises only if cancelled.
        """
        before, trouble = await self._recalled(orders)
        outcome: _Outcome | None = None
        replies, new = [], []
        for opened in orders:
            if opened.order is None:
                reply = self.refusal(opened)
            elif opened.order_id in before:
                reply = self._again(opened, before[opened.order_id])
            elif trouble is not None and not isinstance(opened.order, WithdrawOrder):
                # Without the stored answers it is unknown whether it was carried out already.
                reply = self._reply(opened, ok=False, error=trouble)
            else:
                if outcome is None:
                    outcome = await self._carried_out(opened)
                reply = outcome.reply.model_copy(update={"order": opened.order_id})
                # A refusal may be tried again, so it is not remembered.
                if outcome.is_final and opened.order_id != outcome.kept_as:
                    new.append(self._answered(opened, reply))
            replies.append(reply)
        await self._remember(new)
        return replies

    async def _recalled(
        self, orders: Sequence[Opened]
    ) -> tuple[dict[str, Answered], dict[str, str] | None]:
        """Earlier answers by order id, and the error if they could not be read."""
        ids = {one.order_id for one in orders if one.order is not None and one.order_id is not None}
        is_urgent = any(isinstance(one.order, WithdrawOrder) for one in orders)
        try:
            # A withdrawal does not wait for a slow disk: withdrawn twice does no harm.
            async with asyncio.timeout(RECALL_WITHIN_S if is_urgent else None):
                return await self._memory.recall(sorted(ids)), None
        except TimeoutError:
            return {}, None
        except StoreError as error:
            return {}, error.as_dict()

    async def _remember(self, answered: Sequence[Answered]) -> None:
        if not answered:
            return
        try:
            await self._memory.remember(answered)
        except StoreError as error:
            log.error("answers to orders cannot be kept", bench=self._bench, error=str(error))

    async def _carried_out(self, opened: Opened) -> _Outcome:
        assert opened.order is not None
        kept: list[ReplyMessage] = []

        def noted(job: JobRow) -> None:
            reply = self._reply(opened, ok=True, job=job_summary(job))
            self._memory.note(self._answered(opened, reply))
            kept.append(reply)

        try:
            fields = await self._handed_on(opened.order, noted)
        except BenchdError as error:
            return _Outcome(self._reply(opened, ok=False, error=error.as_dict()), is_final=False)
        except TimeoutError:
            late = BenchdError(
                f"not answered within {ANSWER_WITHIN_S:.0f} s; it may still be carried out.",
                advice="Look at the jobs before you send it again.",
            )
            reply = self._reply(opened, ok=False, error=late.as_dict())
        except Exception:
            log.exception("an order hit a fault in benchd", bench=self._bench, verb=opened.verb)
            fault = BenchdError("a fault in benchd.", advice="Its log says more; please report it.")
            reply = self._reply(opened, ok=False, error={**fault.as_dict(), "family": "fault"})
        else:
            reply = self._reply(opened, ok=True, **fields)
        if kept:
            return _Outcome(kept[-1], is_final=True, kept_as=opened.order_id)
        return _Outcome(reply, is_final=True)

    async def _handed_on(self, order: Order, noted: Noted) -> dict[str, Any]:
        async with asyncio.timeout(ANSWER_WITHIN_S):
            match order:
                case QueueOrder():
                    source = RecipeSource(order.recipe)
                    job = await self._handler.queue(
                        source, dict(order.arguments), order.request, noted=noted
                    )
                case WithdrawOrder():
                    job = await self._handler.withdraw(order.job, noted=noted)
                case ReadyOrder():
                    said = {} if order.removed_m is None else {"removed_m": order.removed_m}
                    job = await self._handler.ready(order.job, order.step, **said, noted=noted)
                case StopOrder():
                    job = await self._handler.stop(order.job, noted=noted)
                case ReplayOrder():
                    count = await self._replay(order.from_sequence, order.to_sequence)
                    return {"replayed": count}
        return {"job": job_summary(job)}

    def _again(self, opened: Opened, before: Answered) -> ReplyMessage:
        if before.digest == opened.digest:
            return ReplyMessage.model_validate_json(before.reply)
        error = OrderRefused(
            f"the order id {opened.order_id} was used for another order.",
            advice="Give every order an id of its own.",
        )
        return self._reply(opened, ok=False, error=error.as_dict())

    def _answered(self, opened: Opened, reply: ReplyMessage) -> Answered:
        return Answered(order_id=opened.order_id or "", digest=opened.digest, reply=reply.to_json())

    def _reply(self, opened: Opened, *, ok: bool, **fields: Any) -> ReplyMessage:
        return ReplyMessage(
            bench=self._bench,
            at=self._clock(),
            order=opened.order_id,
            verb=opened.verb,
            ok=ok,
            **fields,
        )
