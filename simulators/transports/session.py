"""One client's session whatever the link: runs the conversation in simulated time, applies faults.

The link hands bytes in with `receive` and gets reply bytes through its `write`; everything that
takes time is a timer of the event loop, so that one process serves all instruments.
"""

from __future__ import annotations

import asyncio
from collections import deque
from collections.abc import Callable
from typing import Protocol

from simulators.instruments import Instrument, SimulatedClock
from simulators.scpi import Conversation
from simulators.transports.faults import Fault, FaultPlan

INPUT_BUFFER_BYTES = 65536
"""Longest message an instrument takes unless its world file says otherwise."""


TIMER_LATENESS_S = 1.2e-3
ALONE_S = 0.15e-3
"""Longest wait during which nobody else gets a turn: the end of each wait, and a short dwell whole.
A turn of the event loop takes some 30 us, by which every reply would be late."""


class Link(Protocol):
    """What a session needs of its connection."""

    def write(self, data: bytes, *, end: bool) -> None:
        """Send reply bytes; `end` with the last of a reply."""

    def hang_up(self) -> None:
        """Close the connection at once."""

    def hold_input(self, hold: bool) -> None:
        """Stop or resume taking bytes from the link."""


class Session:
    """Carries one conversation through time.

    Replies leave in the order of their messages. While a reply is late, dripping, or the link
    cannot take more, nothing further is executed.
    """

    def __init__(
        self, instrument: Instrument, clock: SimulatedClock, faults: FaultPlan, link: Link
    ) -> None:
        self._instrument = instrument
        self._clock = clock
        self._faults = faults
        self._link = link
        self._loop = asyncio.get_running_loop()
        self._limit = instrument.model.limits.buffer_bytes or INPUT_BUFFER_BYTES
        self._conversation = Conversation(instrument, input_limit=self._limit)
        self._timer: asyncio.Handle | None = None
        self._outgoing: deque[bytes] = deque()
        self._prepared = False
        self._blocked = False
        self._holding = False
        self.deaf = False
        self._mute = False
        self.on_idle: Callable[[], None] = _nothing
        """Called whenever everything received so far is done."""

    @property
    def busy(self) -> bool:
        """Whether something is being executed, waited for or sent."""
        return bool(self._outgoing) or self._timer is not None or not self._conversation.idle

    def receive(self, data: bytes, *, end: bool = False) -> None:
        """Take bytes from the link and run what can be run."""
        self._conversation.receive(data, end=end)
        if self._timer is None and not self._blocked:
            self._clock.hold_at_arrival()
            try:
                self._run()
            finally:
                self._clock.go_on()
        self._control_flow()

    def clear(self) -> None:
        """Device clear: forget input, output and waiting."""
        self._cancel_timer()
        self._outgoing.clear()
        self._conversation.clear()
        self._control_flow()

    def close(self) -> None:
        """The link is gone."""
        self._cancel_timer()
        self._outgoing.clear()
        self._conversation.clear()
        self._blocked = True

    def block(self, blocked: bool) -> None:
        """The link can, or can no longer, take replies."""
        self._blocked = blocked
        if not blocked and self._timer is None:
            self._run()
            self._control_flow()

    def set_deaf(self, deaf: bool) -> None:
        """Take no more bytes from the link, or take them again."""
        self.deaf = deaf
        self._control_flow()

    # -- running ----------------------------------------------------------------------------

    def _run(self) -> None:
        clock, may_spin = self._clock, True
        while not self._blocked:
            if self._outgoing and not self._send_outgoing():
                return
            replies, wake_s = self._conversation.advance(clock.now_s())
            clock.go_on()
            if replies:
                self._prepared = False
                if not self._faults and not self._mute:
                    self._link.write(b"".join(replies), end=True)
                else:
                    self._outgoing.extend(replies)
                    continue
            if wake_s is None:
                self.on_idle()
                return
            if clock.instant:
                clock.skip_to(wake_s)
                continue
            delay_s = clock.real_delay_s(wake_s)
            if delay_s > ALONE_S or not may_spin:
                self._precisely(delay_s, wake_s)
                return
            # Once only: many short waits one after another leave the others their turns.
            may_spin = False
            while clock.now_s() < wake_s:
                pass

    def _send_outgoing(self) -> bool:
        """Send replies one by one; False when a fault makes the rest wait."""
        while self._outgoing:
            reply = self._outgoing.popleft()
            if self._mute:
                continue
            fault = self._faults.next()
            if fault is None:
                self._link.write(reply, end=True)
            elif not self._spoil(reply, fault):
                return False
        return True

    def _spoil(self, reply: bytes, fault: Fault) -> bool:
        """Do to a reply what the fault says; False if it takes time or ends the session."""
        if fault.mode == "close":
            self._link.hang_up()
            return False
        if fault.mode == "half-close":
            # A link that is no stream of two directions can only hang up.
            getattr(self._link, "half_close", self._link.hang_up)()
            self._mute = True
        elif fault.mode == "half-block":
            self._link.write(reply[: max(1, len(reply) // 2)], end=False)
        elif fault.mode == "garbage":
            # Never ASCII, never valid UTF-8: a run of continuation bytes.
            noise = bytes(0x80 + (7 * index) % 0x40 for index in range(max(1, len(reply) - 1)))
            self._link.write(noise + b"\n", end=True)
        elif fault.mode == "late":
            self._later(fault.delay_s, lambda: self._write_and_go_on(reply))
            return False
        elif fault.mode == "slow":
            self._drip(reply, fault.delay_s)
            return False
        return True

    def _write_and_go_on(self, reply: bytes) -> None:
        self._link.write(reply, end=True)
        self._run()
        self._control_flow()

    def _drip(self, reply: bytes, delay_s: float) -> None:
        if len(reply) <= 1:
            self._write_and_go_on(reply)
            return
        self._link.write(reply[:1], end=False)
        self._later(delay_s, lambda: self._drip(reply[1:], delay_s))

    def _precisely(self, delay_s: float, wake_s: float) -> None:
        """Run again after a wait that is exact to about 0.1 ms.

        The event loop's timers are late by up to 1 ms, too much for a settling time of 2 ms. So the
        last part of the wait is spent reading the clock again and again, in turns with all else
        that the loop has to do.
        """
        if delay_s > TIMER_LATENESS_S:
            self._later(delay_s - TIMER_LATENESS_S, self._run)
            return

        def look() -> None:
            self._timer = None
            self._run()
            self._control_flow()

        if not self._prepared:
            self._prepared = True
            self._instrument.prepare(wake_s)
        self._timer = self._loop.call_soon(look)

    def _later(self, delay_s: float, call: Callable[[], None]) -> None:
        def fire() -> None:
            self._timer = None
            call()
            self._control_flow()

        self._timer = self._loop.call_later(delay_s, fire)

    def _cancel_timer(self) -> None:
        if self._timer is not None:
            self._timer.cancel()
            self._timer = None

    def _control_flow(self) -> None:
        """Take no more than the input buffer holds; the rest stays on the link."""
        hold = self.deaf or self._conversation.backlog > self._limit
        if hold != self._holding:
            self._holding = hold
            self._link.hold_input(hold)


def _nothing() -> None:
    """Called where nothing needs to be informed."""
