"""Stepping through a list of frequencies by trigger, for sources and analyzers alike. Pure.

SCPI-1999 volume 2, the LIST subsystems of SOURce and SENSe and the TRIGger subsystem; volume 1,
operation status register: bit 3 sweeping, bit 5 waiting for a trigger (all from memory). The
question at which point an instrument stands has no wording there; ours is an own one, and may be
removed.

What is meant by a list, whatever an instrument calls it: it is loaded with frequencies and armed.
Each trigger makes it go to the next one. A source gives a pulse at its trigger output when it has
settled there. An analyzer gives one as soon as it is tuned and ready for the signal; it reads when
it is triggered, or by itself after the delay that was set. It keeps all readings as one trace.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any, Literal

from drivers import parse
from drivers.exchange import Batch, Exchange
from drivers.instrument import Instrument
from drivers.replies import Answer

TriggeredBy = Literal["itself", "cable", "command"]
"""What makes an instrument go to the next point: its own clock, a pulse at its trigger input, or
a command."""

# SCPI-1999 volume 1, operation status register (from memory).
_SWEEPING = 1 << 3
_WAITING_FOR_TRIGGER = 1 << 5

LIST_PARAMETERS: Mapping[str, Mapping[str, type]] = {
    "list_frequencies": {"frequencies_hz": tuple},
    "list_dwell": {"dwell_s": float},
    "list_delay": {"delay_s": float},
}

LIST_ANSWERS: Mapping[str, Answer] = {
    "list_points_query": "number",
    "list_place_query": "number",
    "list_running_query": "state",
    "list_next": "done",
}

NEEDED_FOR_LISTS = frozenset(
    {
        "list_frequencies",
        "list_dwell",
        "list_by_itself",
        "list_by_cable",
        "list_on",
        "list_off",
        "list_start",
        "list_abort",
        "list_running_query",
    }
)
"""Commands without which an instrument cannot step through a list by a trigger cable."""

NEEDED_BY_COMMAND = (NEEDED_FOR_LISTS - {"list_by_cable"}) | {"list_by_command", "list_next"}
"""Commands without which it cannot step through a list by command."""


def list_templates(node: str, off: str) -> dict[str, str]:
    """The wordings of one subsystem. node: `SOUR` or `SENS`; off: its mode without a list."""
    return {
        "list_frequencies": f":{node}:LIST:FREQ {{frequencies_hz:.12g}}",
        "list_points_query": f":{node}:LIST:FREQ:POIN?",
        "list_dwell": f":{node}:LIST:DWEL {{dwell_s:.9g}}",
        "list_by_itself": ":TRIG:SEQ:SOUR IMM",
        "list_by_cable": ":TRIG:SEQ:SOUR EXT",
        "list_by_command": ":TRIG:SEQ:SOUR BUS",
        "list_on": f":{node}:FREQ:MODE LIST",
        "list_off": f":{node}:FREQ:MODE {off}",
        "list_start": ":INIT:IMM",
        "list_abort": ":ABOR",
        "list_next": ":TRIG:SEQ:IMM;*OPC?",
        "list_running_query": ":STAT:OPER:COND?",
        "list_place_query": f":{node}:LIST:POIN:CURR?",
    }


class ListStepping(Instrument):
    """The messages by which an instrument steps through a list. Frequencies in Hz, times in s."""

    @property
    def can_list(self) -> bool:
        """Whether the bench file says that it can step through a list."""
        return bool(self.options.get("list", False))

    def reset_state(self) -> Batch:
        """As of every instrument; a list that may still run is ended first."""
        return (*(self.list_abort() if self.can_list else ()), *super().reset_state())

    def list_load(self, frequencies_hz: Sequence[float]) -> Exchange:
        """Load the list; it replaces the one before."""
        command = self._command("list_frequencies")
        return Exchange(self.name, command.text(frequencies_hz=tuple(frequencies_hz)))

    def list_points(self) -> Exchange:
        """How many points are loaded; the value is an int."""
        return self._query("list_points_query", parse.integer)

    def list_set(self, dwell_s: float, triggered_by: TriggeredBy, delay_s: float = 0.0) -> Batch:
        """Leave the fixed frequency for the list: time at each point, and what triggers.

        dwell_s: of a source the stay at a point where it triggers itself; of an analyzer the time
            of one reading.
        delay_s: of an analyzer that triggers itself, the wait before each reading.
        """
        by = {"itself": "list_by_itself", "cable": "list_by_cable", "command": "list_by_command"}
        delay = self._sent("list_delay", delay_s=delay_s) if "list_delay" in self.templates else ()
        return (
            *self._sent("list_dwell", dwell_s=dwell_s),
            *self._sent(by[triggered_by]),
            *delay,
            *self._sent("list_on"),
        )

    def list_start(self) -> Batch:
        """Arm the list: it waits for its triggers, or starts where it triggers itself."""
        return self._sent("list_start")

    def list_next(self, timeout_s: float | None = None) -> Exchange:
        """Go to the next point; the reply (True) comes when the source has settled there, or the
        analyzer has its reading."""
        return self._settling("list_next", self._command("list_next").text(), timeout_s)

    def list_abort(self) -> Batch:
        """End the list at once."""
        return self._sent("list_abort")

    def list_leave(self) -> Batch:
        """End the list and go back to one fixed frequency, which needs no trigger."""
        delay = self._sent("list_delay", delay_s=0.0) if "list_delay" in self.templates else ()
        return (
            *self.list_abort(),
            *self._sent("list_by_itself"),
            *delay,
            *self._sent("list_off"),
        )

    def list_running(self) -> Exchange:
        """Whether it is not yet through its list: it steps, or waits for a trigger."""
        by_form = "list_running_query" in self._replies
        return self._query("list_running_query", parse.on_off if by_form else _running)

    def list_place(self) -> Exchange:
        """How many points it has done: gone to (a source) or read (an analyzer). An int."""
        return self._query("list_place_query", parse.integer)


def _running(reply: Any) -> bool:
    return bool(parse.integer(reply) & (_SWEEPING | _WAITING_FOR_TRIGGER))
