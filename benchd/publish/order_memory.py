"""Where answers to orders are remembered, so that an order that comes twice is carried out once."""

from __future__ import annotations

from collections import OrderedDict
from collections.abc import Awaitable, Callable, Sequence
from typing import Any, Protocol

from benchd.store import Answered, Store

REMEMBERED_ORDERS = 1000


class OrderMemory(Protocol):
    """Answers by order id. `recall` and `remember` raise StoreError where they cannot."""

    async def recall(self, order_ids: Sequence[str]) -> dict[str, Answered]:
        """The answers that were given under these ids."""
        ...

    async def remember(self, answered: Sequence[Answered]) -> None:
        """Keep answers; a later one under the same id takes the place of the earlier one."""
        ...

    def note(self, answered: Answered) -> None:
        """Keep one answer, in the transaction that the calling thread is in."""
        ...


class ShortMemory:
    """Remembers as long as the program runs."""

    def __init__(self) -> None:
        self._answered: OrderedDict[str, Answered] = OrderedDict()

    async def recall(self, order_ids: Sequence[str]) -> dict[str, Answered]:
        """The answers that were given under these ids."""
        return {one: self._answered[one] for one in order_ids if one in self._answered}

    async def remember(self, answered: Sequence[Answered]) -> None:
        """Keep answers, and forget the oldest."""
        for one in answered:
            self.note(one)

    def note(self, answered: Answered) -> None:
        """Keep one answer."""
        self._answered[answered.order_id] = answered
        while len(self._answered) > REMEMBERED_ORDERS:
            self._answered.popitem(last=False)


class StoreMemory:
    """Remembers in the bench's database, across restarts.

    in_store: runs a call that may block outside the event loop.
    """

    def __init__(self, store: Store, bench: str, in_store: Callable[..., Awaitable[Any]]) -> None:
        self._store = store
        self._bench = bench
        self._in_store = in_store

    async def recall(self, order_ids: Sequence[str]) -> dict[str, Answered]:
        """The answers that were given under these ids."""
        found: list[Answered] = await self._in_store(
            self._store.answered_orders, self._bench, order_ids
        )
        return {one.order_id: one for one in found}

    async def remember(self, answered: Sequence[Answered]) -> None:
        """Keep answers, and forget the oldest."""
        await self._in_store(self._store.keep_answers, self._bench, answered)

    def note(self, answered: Answered) -> None:
        """Keep one answer, in the transaction that the calling thread is in."""
        self._store.keep_answers(self._bench, [answered])
