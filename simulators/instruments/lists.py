"""Stepping through lists by trigger: the cables between trigger outputs and inputs, and the lists
of sources and analyzers that the pulses move on.

Everything happens at simulated times. Whoever asks an instrument something first has the bus carry
out all that was due by then (`TriggerBus.advance`).
"""

from __future__ import annotations

import heapq
import itertools
from collections.abc import Callable
from typing import Any

import numpy as np

from simulators.scpi import Keyword, ScpiError
from simulators.scpi.status import OPERATION_SWEEPING, OPERATION_WAITING_FOR_TRIGGER, Status
from simulators.world.model import TriggersModel


class TriggerBus:
    """Pulses on their way, and everything else that a list has to do at some time.

    jitter_s: a pulse arrives up to this much later than the cable's own delay, each by chance.
    missed: numbers of pulses that get lost on each cable, counted from 1 since its receiver was
        last armed. extra: numbers of pulses that arrive a second time, one and a half dwells later.
    """

    def __init__(self, model: TriggersModel, random: np.random.Generator) -> None:
        self.cables = [(cable.sender, cable.receiver) for cable in model.cables]
        self.delay_s = model.delay_s
        self.jitter_s = model.jitter_s
        self.missed = set(model.missed)
        self.extra = set(model.extra)
        self._random = random
        self._due: list[tuple[float, int, Callable[[float], None]]] = []
        self._order = itertools.count()
        self._lists: dict[str, Stepper] = {}
        self._pulses: dict[tuple[str, str], int] = {}

    def join(self, name: str, stepper: Stepper) -> None:
        """Plug an instrument's trigger input in."""
        self._lists[name] = stepper

    def at(self, time_s: float, work: Callable[[float], None]) -> None:
        """Have something done at a simulated time; it is given that time."""
        heapq.heappush(self._due, (time_s, next(self._order), work))

    def advance(self, now_s: float) -> None:
        """Carry out all that was due by now, in order."""
        while self._due and self._due[0][0] <= now_s:
            time_s, _, work = heapq.heappop(self._due)
            work(time_s)

    def armed(self, receiver: str) -> None:
        """Count the pulses to an instrument anew."""
        for cable in self.cables:
            if cable[1] == receiver:
                self._pulses[cable] = 0

    def pulse(self, sender: str, time_s: float) -> None:
        """A pulse at an instrument's trigger output."""
        for cable in self.cables:
            stepper = self._lists.get(cable[1])
            if cable[0] != sender or stepper is None:
                continue
            number = self._pulses[cable] = self._pulses.get(cable, 0) + 1
            if number in self.missed:
                continue
            at_s = time_s + self.delay_s
            if self.jitter_s:
                at_s += float(self._random.uniform(0.0, self.jitter_s))
            self.at(at_s, stepper.cable_pulse)
            if number in self.extra:
                self.at(at_s + 1.5 * stepper.dwell_s, stepper.cable_pulse)


class Stepper:
    """The list of one instrument. Subclasses say what a point is made of.

    place: points done since the list was armed. ignored: triggers that came while none was waited
    for.
    """

    def __init__(self, name: str, bus: TriggerBus, status: Callable[[], Status]) -> None:
        self.name = name
        self.bus = bus
        self._status = status
        self.frequencies_hz: list[float] = []
        self.triggered_by = "itself"
        self.dwell_s = 0.01
        self.delay_s = 0.0
        self.settle_s = 0.0
        self.running = False
        self.waiting = False
        self.place = 0
        self.ignored = 0
        self.busy_until_s = 0.0
        self._run = 0
        bus.join(name, self)

    def load(self, most: int, *frequencies_hz: Any) -> None:
        """Take a new list; not while one runs."""
        if self.running:
            raise ScpiError(-221, "a list is running")
        if len(frequencies_hz) > most:
            raise ScpiError(-223, f"a list holds {most} points at most")
        if any(isinstance(one, Keyword) for one in frequencies_hz):
            raise ScpiError(-104, "a list holds numbers")
        self.frequencies_hz = [float(one) for one in frequencies_hz]

    def start(self, now_s: float) -> None:
        """Arm the list."""
        if self.running:
            raise ScpiError(-213, "a list is running")
        if not self.frequencies_hz:
            raise ScpiError(-221, "the list is empty")
        self.running, self.place, self.ignored = True, 0, 0
        self._run += 1
        self.bus.armed(self.name)
        self.begun(now_s)
        self._show()

    def stop(self) -> None:
        """End the list at once; what was on its way finds nobody."""
        self.running = self.waiting = False
        self._run += 1
        self._show()

    def cable_pulse(self, time_s: float) -> None:
        """A pulse at the trigger input."""
        if self.triggered_by == "cable":
            self.trigger(time_s)

    def trigger(self, time_s: float) -> None:
        """Go on, if a trigger is waited for."""
        if not (self.running and self.waiting):
            self.ignored += 1
            return
        self.waiting = False
        self.triggered(time_s)
        self._show()

    def later(self, time_s: float, work: Callable[[float], None]) -> None:
        """Do something at a time, unless the list was ended or begun anew meanwhile."""
        run = self._run

        def if_it_still_runs(at_s: float) -> None:
            if run == self._run:
                work(at_s)
                self._show()

        self.busy_until_s = time_s
        self.bus.at(time_s, if_it_still_runs)

    def begun(self, now_s: float) -> None:
        """The list was armed."""

    def triggered(self, time_s: float) -> None:
        """The trigger that was waited for has come."""

    def _show(self) -> None:
        operation = self._status().operation
        operation.set(OPERATION_WAITING_FOR_TRIGGER, self.waiting)
        operation.set(OPERATION_SWEEPING, self.running and not self.waiting)


class SourceStepper(Stepper):
    """Goes to the next frequency at each trigger, and gives a pulse when it has settled there.

    moved_s: when the output reached each frequency of the list, so far.
    """

    def __init__(self, name: str, bus: TriggerBus, status: Callable[[], Status]) -> None:
        super().__init__(name, bus, status)
        self.moved_s: list[float] = []

    def begun(self, now_s: float) -> None:
        self.moved_s = []
        if self.triggered_by == "itself":
            self.triggered(now_s)
        else:
            self.waiting = True

    def triggered(self, time_s: float) -> None:
        self.place += 1
        self.moved_s.append(time_s + self.settle_s)
        if self.triggered_by == "itself":
            following = self.triggered if self.place < len(self.frequencies_hz) else self._ended
            self.later(time_s + self.dwell_s, following)
        self.later(time_s + self.settle_s, self._settled)

    def _settled(self, time_s: float) -> None:
        self.bus.pulse(self.name, time_s)
        if self.triggered_by == "itself":
            return
        if self.place < len(self.frequencies_hz):
            self.waiting = True
        else:
            self.running = False

    def _ended(self, time_s: float) -> None:
        self.running = False


class AnalyzerStepper(Stepper):
    """Tunes to each frequency, gives a pulse, and reads when it is triggered.

    begun_s: when each reading began, so far; `place` of them are over.
    """

    def __init__(self, name: str, bus: TriggerBus, status: Callable[[], Status]) -> None:
        super().__init__(name, bus, status)
        self.begun_s: list[float] = []

    def begun(self, now_s: float) -> None:
        self.begun_s = []
        self.later(now_s + self.settle_s, self._tuned)

    def _tuned(self, time_s: float) -> None:
        if self.triggered_by == "itself":
            self.triggered(time_s)
        else:
            self.waiting = True
        self.bus.pulse(self.name, time_s)

    def triggered(self, time_s: float) -> None:
        self.begun_s.append(time_s + self.delay_s)
        self.later(time_s + self.delay_s + self.dwell_s, self._read)

    def _read(self, time_s: float) -> None:
        self.place += 1
        if self.place < len(self.frequencies_hz):
            self.later(time_s + self.settle_s, self._tuned)
        else:
            self.running = False


TRIGGERED_BY = {"IMMediate": "itself", "EXTernal": "cable", "BUS": "command"}
"""The words of `TRIGger:SOURce`."""
