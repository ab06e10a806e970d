"""Reading an instrument's error queue after every setting, so that the faulty one is known."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any, TypeVar

from benchd.acquire.plan import Procedure
from drivers.exchange import Batch, Reply

T = TypeVar("T")


def confirmed(procedure: Procedure[T], drivers: Mapping[str, Any]) -> Procedure[T]:
    """Run `procedure`, and check each setting by the instrument's error queue.

    A batch that holds only settings is sent one by one, with the error queue read after each. A
    batch with a query is sent as it is, so that the inner loop of a sweep takes no longer. Its
    settings are checked when the queue is read empty at the end of the step.

    Raises `drivers.errors.Refused` with the command that the instrument did not accept.
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
