"""A watch on the box's lid, woven into any procedure."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any, Literal, TypeVar

from benchd.acquire.plan import Procedure
from benchd.errors import BenchdError
from drivers.exchange import Exchange

T = TypeVar("T")

LID_INTERVAL_S = 0.1


class LidOpened(BenchdError):
    """The lid was found open while RF was, or was about to be, on."""

    family = "lid-open"


class LidClosed(BenchdError):
    """The lid was found closed in a capture that wants it open."""

    family = "lid-closed"


def require_lid(is_open: bool, wanted: Literal["closed", "open"], *, where: str) -> None:
    """Raise LidOpened or LidClosed where the lid does not stand as wanted."""
    if wanted == "open" and not is_open:
        raise LidClosed(
            "the lid of the box is closed, but this capture wants it open",
            where=where,
            advice="RF is off. Open the lid and queue the job again.",
        )
    if wanted == "closed" and is_open:
        raise LidOpened(
            "the lid of the box is open",
            where=where,
            advice="RF is off. Close the lid and queue the job again.",
        )


def guarded(
    procedure: Procedure[T],
    lid_query: Exchange,
    clock: Callable[[], float],
    *,
    wanted: Literal["closed", "open"] = "closed",
) -> Procedure[T]:
    """Run `procedure`, asking before its first batch and every 0.1 s how the lid stands.

    wanted: `open` for a capture that measures with the lid open on purpose; a closed lid would
        then make a wrong reference.
    Raises LidOpened or LidClosed; the caller switches RF off, as after any failure.
    """
    asked_at = float("-inf")
    replies: list[Any] = []
    started = False
    try:
        while True:
            if clock() - asked_at >= LID_INTERVAL_S:
                (is_open,) = yield (lid_query,)
                asked_at = clock()
                require_lid(is_open, wanted, where=lid_query.instrument)
            step = procedure.send(replies) if started else next(procedure)
            started = True
            replies = yield step
    except StopIteration as stop:
        result: T = stop.value
        return result
    finally:
        procedure.close()
