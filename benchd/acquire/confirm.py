"""Settings that are asked about: the error queue is read behind every one of them."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any, TypeVar

from benchd.acquire.plan import Procedure
from drivers.exchange import Batch, Reply

T = TypeVar("T")


def confirmed(procedure: Procedure[T], drivers: Mapping[str, Any]) -> Procedure[T]:
    """Run `procedure`; a batch of settings alone is sent one by one, each followed by a look at
    the instrument's error queue. A batch that holds a query passes whole, so that the inner loop
    of a sweep pays nothing; what it sets is checked when the queue is drained at the step's end.

    Raises `drivers.errors.Refused` with the very command that an instrument objected to.
    """
    try:
        step = next(procedure)
        while True:
            if isinstance(step, tuple) and all(item.reply is Reply.NONE for item in step):
                replies = yield from _one_by_one(step, drivers)
            else:
                replies = yield step
            step = procedure.send(replies)
    except StopIteration as stop:
        result: T = stop.value
        return result
    finally:
        procedure.close()


def _one_by_one(batch: Batch, drivers: Mapping[str, Any]) -> Procedure[list[Any]]:
    replies: list[Any] = []
    for exchange in batch:
        replies += yield from drivers[exchange.instrument].confirm((exchange,))
    return replies
