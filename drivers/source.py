"""A signal source that speaks SCPI-1999 (volume 2, SOURce and OUTPut subsystems)."""

from __future__ import annotations

from collections.abc import Mapping
from types import MappingProxyType
from typing import Any, ClassVar

from drivers import parse
from drivers.exchange import Batch, Exchange
from drivers.lists import (
    LIST_ANSWERS,
    LIST_PARAMETERS,
    NEEDED_BY_COMMAND,
    NEEDED_FOR_LISTS,
    ListStepping,
    list_templates,
)
from drivers.readback import FREQUENCY_PPM, Setting, shown_number
from drivers.replies import Answer


class ScpiSource(ListStepping):
    """Builds the messages of one source.

    Frequencies in Hz, levels in dBm, times in s. A source that answers `*OPC?` before it has
    settled needs a settling time in the bench file; this driver only builds the query.
    """

    kind: ClassVar[str] = "source"
    templates: ClassVar[Mapping[str, str]] = MappingProxyType(
        {
            "set_frequency": ":SOUR:FREQ:CW {frequency_hz:.12g}",
            "set_frequency_settled": ":SOUR:FREQ:CW {frequency_hz:.12g};*OPC?",
            "frequency_query": ":SOUR:FREQ:CW?",
            "set_level": ":SOUR:POW:LEV:IMM:AMPL {level_dbm:.6g}",
            "level_query": ":SOUR:POW:LEV:IMM:AMPL?",
            "rf_on": ":OUTP:STAT ON",
            "rf_off": ":OUTP:STAT OFF",
            "rf_query": ":OUTP:STAT?",
            "free_run_start": ":SOUR:FREQ:STAR {start_hz:.12g}",
            "free_run_stop": ":SOUR:FREQ:STOP {stop_hz:.12g}",
            "free_run_points": ":SOUR:SWE:POIN {points:d}",
            "free_run_dwell": ":SOUR:SWE:DWEL {dwell_s:.6g}",
            "free_run_on": ":SOUR:FREQ:MODE SWE;:INIT:CONT ON",
            "free_run_off": ":INIT:CONT OFF;:SOUR:FREQ:MODE CW",
            **list_templates("SOUR", "CW"),
        }
    )
    parameters: ClassVar[Mapping[str, Mapping[str, type]]] = MappingProxyType(
        {
            "set_frequency": {"frequency_hz": float},
            "set_frequency_settled": {"frequency_hz": float},
            "set_level": {"level_dbm": float},
            "free_run_start": {"start_hz": float},
            "free_run_stop": {"stop_hz": float},
            "free_run_points": {"points": int},
            "free_run_dwell": {"dwell_s": float},
            **{name: LIST_PARAMETERS[name] for name in ("list_frequencies", "list_dwell")},
        }
    )
    required: ClassVar[frozenset[str]] = frozenset(
        {"set_frequency_settled", "set_level", "rf_on", "rf_off"}
    )
    needed_for: ClassVar[Mapping[str, frozenset[str]]] = MappingProxyType(
        {
            "hold": frozenset(
                {
                    "free_run_start",
                    "free_run_stop",
                    "free_run_points",
                    "free_run_dwell",
                    "free_run_on",
                    "free_run_off",
                }
            ),
            "lists": NEEDED_FOR_LISTS,
            "lists by command": NEEDED_BY_COMMAND,
        }
    )
    answers: ClassVar[Mapping[str, Answer]] = MappingProxyType(
        {
            "set_frequency_settled": "done",
            "frequency_query": "number",
            "level_query": "number",
            "rf_query": "state",
            **LIST_ANSWERS,
        }
    )
    bare_replies: ClassVar[frozenset[str]] = frozenset(
        {"set_frequency_settled", "list_next", "list_running_query"}
    )

    def __init__(
        self,
        name: str,
        commands: Mapping[str, str | None] = MappingProxyType({}),
        options: Mapping[str, Any] = MappingProxyType({}),
    ) -> None:
        super().__init__(name, commands, options)
        self._frequency = self._one_number("set_frequency", "frequency_hz")
        self._settled = self._one_number("set_frequency_settled", "frequency_hz")

    def rf_on(self) -> Batch:
        """Switch RF on. Never sent twice by a recovery."""
        return self._sent("rf_on", radiates=True)

    def rf_off(self) -> Batch:
        """Switch RF off; ask `rf_query` afterwards."""
        return self._sent("rf_off")

    @property
    def can_tell_rf(self) -> bool:
        """Whether it can be asked if RF is on."""
        return self.has("rf_query")

    @property
    def unasked_settings(self) -> tuple[str, ...]:
        """Settings that matter and that it cannot be asked for: `level`, `frequency`."""
        asked = {
            "level": self.can_ask("set_level", "level_query"),
            "frequency": self.can_ask("set_frequency_settled", "frequency_query"),
        }
        return tuple(name for name, can in asked.items() if not can)

    def rf_query(self) -> Exchange:
        """Whether RF is on, as the instrument itself says."""
        return self._query("rf_query", parse.on_off)

    def set_level(self, level_dbm: float) -> Exchange:
        """Set the output level, dBm."""
        return Exchange(self.name, self._command("set_level").text(level_dbm=level_dbm))

    def level_query(self) -> Exchange:
        """The level the instrument is set to, dBm."""
        return self._query("level_query", parse.level_dbm)

    def least_level(self, level_dbm: float) -> Batch:
        """The level, as a batch: one of the ways to end radiation."""
        return (self.set_level(level_dbm),)

    def level_setting(self, level_dbm: float) -> Setting | None:
        """How to ask whether this level is set; None where the source cannot be asked."""
        if "level" in self.unasked_settings:
            return None
        return self._level_setting("set_level", "level_query", level_dbm)

    def frequency_setting(self, frequency_hz: float) -> Setting | None:
        """How to ask whether this frequency is set; None where the source cannot be asked."""
        if "frequency" in self.unasked_settings:
            return None
        command = self._command("set_frequency_settled")
        sent, factor = command.as_sent("frequency_hz", frequency_hz)
        return Setting(
            "frequency",
            command.text(frequency_hz=frequency_hz),
            sent,
            FREQUENCY_PPM * 1e-6 * frequency_hz,
            self._query("frequency_query", shown_number),
            "frequency_query",
            (1.0, factor),
        )

    def set_frequency(self, frequency_hz: float) -> Exchange:
        """Set the frequency, without waiting for it to settle."""
        return Exchange(self.name, self._frequency(self._finite("frequency_hz", frequency_hz)))

    def set_frequency_settled(self, frequency_hz: float) -> Exchange:
        """Set the frequency; the reply (True) comes when it has settled."""
        return self._settling(
            "set_frequency_settled", self._settled(self._finite("frequency_hz", frequency_hz))
        )

    def frequency_query(self) -> Exchange:
        """The frequency the instrument is set to, Hz."""
        return self._query("frequency_query", parse.number)

    def free_run(self, start_hz: float, stop_hz: float, points: int, dwell_s: float) -> Batch:
        """Step from start to stop, `dwell_s` at each of `points`, over and over."""
        return (
            *self._sent("free_run_start", start_hz=start_hz),
            *self._sent("free_run_stop", stop_hz=stop_hz),
            *self._sent("free_run_points", points=points),
            *self._sent("free_run_dwell", dwell_s=dwell_s),
            *self._sent("free_run_on"),
        )

    def free_run_stop(self) -> Batch:
        """Back to one fixed frequency."""
        return self._sent("free_run_off")
