"""Misbehaviour on purpose: which of an instrument's next replies go wrong, and how."""

from __future__ import annotations

from dataclasses import dataclass

REPLY_FAULTS = ("silent", "close", "half-block", "late", "garbage", "slow", "half-close")
"""Faults that concern replies:

silent: the reply is dropped; close: the connection is closed instead; half-block: the first half
is sent and nothing more; late: the reply waits `delay_s` real seconds; garbage: other bytes are
sent, 0x80 upwards, with the usual end; slow: one byte every `delay_s` real seconds; half-close: the
instrument ends its own direction of a stream, says no more on it, and goes on hearing.
"""

LINK_FAULTS = ("stop-listening", "deaf")
"""Faults that concern the link:

stop-listening: connections are cut and new ones refused; deaf: bytes are no longer taken from the
link, so that a client's writes fill up and block. Both last until the fault `none`, or `delay_s`
real seconds if one is given.
"""

MODES = (*REPLY_FAULTS, *LINK_FAULTS, "none")

_DEFAULT_DELAY_S = {"late": 1.0, "slow": 0.02}


@dataclass
class Fault:
    """One armed fault.

    Attributes:
        count: how many replies it still spoils.
        skip: how many replies are let through before.
        delay_s: real seconds, see `REPLY_FAULTS`.
    """

    mode: str
    count: int
    skip: int
    delay_s: float


class FaultPlan:
    """The faults of one instrument, used up in the order they were armed."""

    def __init__(self) -> None:
        self._armed: list[Fault] = []

    def __bool__(self) -> bool:
        return bool(self._armed)

    def arm(
        self, mode: str, *, count: int = 1, skip: int = 0, delay_s: float | None = None
    ) -> None:
        """Spoil the next `count` replies after `skip` good ones.

        Raises:
            ValueError: an unknown mode, or a count or delay that makes no sense.
        """
        if mode not in REPLY_FAULTS:
            raise ValueError(f"no fault {mode!r}; there are {', '.join(MODES)}")
        wait_s = _DEFAULT_DELAY_S.get(mode, 0.0) if delay_s is None else delay_s
        if count < 1 or skip < 0 or not 0.0 <= wait_s <= 3600.0:
            raise ValueError("a fault needs count >= 1, skip >= 0 and delay_s from 0 to 3600")
        self._armed.append(Fault(mode, count, skip, wait_s))

    def clear(self) -> None:
        """Behave again."""
        self._armed.clear()

    def next(self) -> Fault | None:
        """The fault for the reply that is about to be sent, if any."""
        if not self._armed:
            return None
        fault = self._armed[0]
        if fault.skip > 0:
            fault.skip -= 1
            return None
        fault.count -= 1
        if fault.count <= 0:
            self._armed.pop(0)
        return fault
