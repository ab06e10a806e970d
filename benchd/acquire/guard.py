"""A watch on the box's lid, woven into any procedure."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any, TypeVar

from benchd.acquire.plan import Procedure
from benchd.errors import BenchdError
from drivers.exchange import Exchange

T = TypeVar("T")

LID_INTERVAL_S = 0.1


class LidOpened(BenchdError):
    """The lid was found open while RF was, or was about to be, on."""

    family = "lid-open"


def guarded(
    procedure: Procedure[T], lid_query: Exchange, clock: Callable[[], float]
) -> Procedure[T]:
    """Run `procedure`, asking before its first batch and every 0.1 s whether the lid is open.

    Raises LidOpened; the caller switches RF off, as after any failure.
    """
    asked_at = float("-inf")
    replies: list[Any] = []
    started = False
    try:
        while True:
            if clock() - asked_at >= LID_INTERVAL_S:
                (is_open,) = yield (lid_query,)
                asked_at = clock()
                if is_open:
                    raise LidOpened(
                        "the lid of the box is open",
                        where=lid_query.instrument,
                        advice="RF is off. Close the lid and queue the job again.",
                    )
            step = procedure.send(replies) if started else next(procedure)
            started = True
            replies = yield step
    except StopIteration as stop:
        result: T = stop.value
        return result
    finally:
        procedure.close()
