"""Status registers (IEEE 488.2-1992 chapter 11; SCPI-1999 volume 1, chapter 9)."""

from __future__ import annotations

from dataclasses import dataclass, field

from simulators.scpi.errors import ErrorQueue, ScpiError

OPERATION_COMPLETE = 0x01
POWER_ON = 0x80

QUESTIONABLE_POWER = 1 << 3
"""Overload at the input (SCPI-1999 volume 1, figure 9-3: bit 3, POWer)."""
QUESTIONABLE_CALIBRATION = 1 << 8
"""Reading not calibrated, for instance swept too fast (bit 8, CALibration)."""
OPERATION_SWEEPING = 1 << 3
OPERATION_WAITING_FOR_TRIGGER = 1 << 5


@dataclass
class Register:
    """Condition, event and enable of one SCPI status group; positive transitions latch."""

    condition: int = 0
    event: int = 0
    enable: int = 0

    def set(self, bit: int, on: bool) -> None:
        """Raise or lower one condition bit; raising it latches the event."""
        if on:
            self.event |= bit & ~self.condition
            self.condition |= bit
        else:
            self.condition &= ~bit

    def read_event(self) -> int:
        """The event register, which reading clears."""
        event, self.event = self.event, 0
        return event

    @property
    def summary(self) -> bool:
        """Whether an enabled event is latched."""
        return bool(self.event & self.enable)


@dataclass
class Status:
    """The whole status model of one instrument."""

    errors: ErrorQueue = field(default_factory=ErrorQueue)
    event: int = POWER_ON
    event_enable: int = 0
    service_enable: int = 0
    questionable: Register = field(default_factory=Register)
    operation: Register = field(default_factory=Register)

    def report(self, error: ScpiError) -> None:
        """Queue an error and set its bit in the standard event status register."""
        self.errors.push(error)
        self.event |= error.event_bit

    def read_event(self) -> int:
        """`*ESR?`: the standard event status register, which reading clears."""
        event, self.event = self.event, 0
        return event

    def byte(self, *, message_available: bool = False) -> int:
        """The status byte with the master summary in bit 6 (IEEE 488.2-1992, 11.2)."""
        byte = 0
        if len(self.errors):
            byte |= 0x04
        if self.questionable.summary:
            byte |= 0x08
        if message_available:
            byte |= 0x10
        if self.event & self.event_enable:
            byte |= 0x20
        if self.operation.summary:
            byte |= 0x80
        if byte & self.service_enable & ~0x40:
            byte |= 0x40
        return byte

    def clear(self) -> None:
        """`*CLS`: events and errors go, enable registers stay (IEEE 488.2-1992, 10.3)."""
        self.event = 0
        self.questionable.event = 0
        self.operation.event = 0
        self.errors.clear()

    def preset(self) -> None:
        """`STATus:PRESet`: enable registers of the SCPI groups to zero."""
        self.questionable.enable = 0
        self.operation.enable = 0
