"""Trying which commands an instrument takes, one by one, with RF off; on the bench thread.

A person does this while a bench file is being written, for an instrument with a dialect of its own.
RF is switched off and verified before and after. An output that cannot be verified off hears
nothing but OFF and questions; one that turns out to be on is switched off, and the test ends. So it
does where a source does not tell any more whether it is off: RF may be on for no more than the wait
for that answer.
"""

from __future__ import annotations

import re
from collections.abc import Iterator
from dataclasses import asdict, dataclass
from typing import Any

from benchd.bench.instruments import (
    AnalyzerInstrument,
    PowerMeterInstrument,
    SourceInstrument,
    SwitchInstrument,
)
from benchd.engine.rig import Rig
from benchd.engine.small_procedures import asked, link_to, sent
from benchd.engine.source_record import radiating
from benchd.errors import BenchdError
from drivers.errors import BadReply, DriverError, LinkLost
from drivers.exchange import Exchange
from drivers.link import Link
from drivers.parse import InstrumentError
from drivers.player import Player
from drivers.replies import UNNUMBERED
from drivers.tryout import Attempt, attempts

_ONLY_WHILE_IN_DOUBT = ("rf_off", "tracking_off", "rf_query", "tracking_query", "next_error",
                        "identify")  # fmt: skip
_NUMBER = re.compile(r"[+-]?(?:[0-9]+\.?[0-9]*|\.[0-9]+)(?:[eE][+-]?[0-9]+)?")


@dataclass(frozen=True, slots=True)
class Tried:
    """What became of one command.

    outcome: `taken`; `refused`, by an entry in the error queue; `no-answer`; `other-answer`, which
        cannot be read; `not-told`, where no error queue could tell; `not-tried`;
        `switched-rf-on`. said: the instrument's own words, or why it was not tried.
    advice: what to do. line: for the bench file, below the instrument's name.
    """

    command: str
    message: str
    outcome: str
    said: str = ""
    advice: str = ""
    line: str = ""


class DialectTest:
    """Tries the instruments of a rig. Every method blocks, on the bench thread."""

    def __init__(self, rig: Rig) -> None:
        self._rig = rig

    def run(self, name: str) -> dict[str, Any]:
        """Try one instrument. The document says how RF stood before and after.

        Its link is closed after the test; whoever uses it next opens it anew and resets it.
        """
        about = self._rig.bench.instruments[name]
        doubt = self._rf_trouble()
        others = sorted(set(self._rig.rf_not_verified()) - {name})
        found: dict[str, Any] = {
            "instrument": name,
            "kind": about.kind,
            "driver": about.driver,
            "address": about.address,
            "rf_before": doubt or "off, verified",
            "message": "",
            "commands": [],
        }
        if others:
            found["message"] = (
                f"not tried: RF of {', '.join(others)} is not verified off. Test that one first."
            )
        else:
            self._rig.let_go([name])
            try:
                for one in self._tried(name, in_doubt=bool(doubt)):
                    found["commands"].append(asdict(one))
            except DriverError as error:
                found["message"] = str(error)
        found["rf_after"] = self._rf_trouble() or "off, verified"
        return found

    def _rf_trouble(self) -> str:
        """Switch every RF output off; why one could not be verified, or ""."""
        try:
            self._rig.rf_off()
        except BenchdError as error:
            return f"NOT verified off: {error}"
        return ""

    def _waiting(self) -> bool:
        self._rig.pulse.beat()
        return self._rig.stop.is_set()

    def _tried(self, name: str, *, in_doubt: bool) -> Iterator[Tried]:
        driver = self._rig.drivers[name]
        off = tuple(one.message for one in driver.rf_off()) if name in self._radiating() else ()
        about = self._rig.bench.instruments[name]
        link = link_to(about, driver, off, self._waiting, identify=False)
        with link:
            instrument = _OneInstrument(name, driver, link, self._waiting, bool(off))
            for attempt in attempts(driver, _values(about)):
                if in_doubt and attempt.command not in _ONLY_WHILE_IN_DOUBT:
                    why = "RF is not verified off: first make OFF and the question for it right"
                    yield Tried(attempt.command, attempt.template, "not-tried", why)
                    continue
                one = instrument.try_out(attempt)
                yield one
                if one.outcome == "switched-rf-on" or (instrument.hides_rf and not in_doubt):
                    return

    def _radiating(self) -> list[str]:
        return radiating(self._rig.bench)


class _OneInstrument:
    """The link to the instrument that is tried, and what is known of its error queue."""

    def __init__(self, name: str, driver: Any, link: Link, cancel: Any, radiates: bool) -> None:
        self._driver = driver
        self._link = link
        self._player = Player({name: link}, cancel=cancel)
        self._radiates = radiates
        self._has_queue = driver.has("next_error")
        self.hides_rf = False
        """Whether nobody can tell if the last command has switched RF on, or for how long."""

    def try_out(self, attempt: Attempt) -> Tried:
        """Send one command and see what becomes of it. Raises LinkLost where the instrument
        cannot be reached at all, and Stopped."""
        exchange = attempt.exchange
        if exchange is None:
            return Tried(attempt.command, attempt.template, "not-tried", attempt.why_not)
        self.hides_rf = False
        outcome, said = self._outcome(attempt, exchange)
        if attempt.command == "next_error" and outcome != "taken":
            self._has_queue = False
        if self._rf_is_on():
            self._player.run(sent(self._driver.rf_off()))
            outcome, said = "switched-rf-on", "RF was on after it, and was switched off at once"
        elif self.hides_rf:
            told = "it fell silent, so nobody can tell whether RF came on; it heard OFF"
            said = f"{said}; {told}" if said else told
        return Tried(
            attempt.command,
            exchange.message,
            outcome,
            said,
            advice_for(attempt, outcome),
            line_for(attempt, outcome, said),
        )

    def _outcome(self, attempt: Attempt, exchange: Exchange) -> tuple[str, str]:
        if not self._link.connected:
            self._link.reopen()
        try:
            reply = self._player.run(asked(exchange))
        except LinkLost as error:
            self._link.reopen()
            return "no-answer", self._queued() or error.message
        except BadReply as error:
            return "other-answer", error.message
        if attempt.parser is not None:
            try:
                attempt.parser(reply)
            # The parsers tell what they expected by an error of their own.
            except Exception:
                return "other-answer", str(reply).strip()
        if attempt.command == "next_error":
            self._queued()  # what was there before is nobody's fault here
            self.hides_rf = False
            return "taken", ""
        if refusal := self._queued():
            return "refused", refusal
        checked = self._has_queue or attempt.parser is not None
        return ("taken", "") if checked else ("not-told", "it has no error queue that could tell")

    def _queued(self) -> str:
        """What the error queue holds, in words; it is empty after this."""
        if not self._has_queue:
            return ""
        try:
            found: tuple[InstrumentError, ...] = self._player.run(self._driver.drain_errors())
        except (LinkLost, BadReply) as error:
            # It has answered before. What it was just sent may have switched RF on meanwhile, and
            # the OFF of the new link hides that.
            self.hides_rf = self._radiates and isinstance(error, LinkLost)
            self._has_queue = False
            if not self._link.connected:
                self._link.reopen()
            return ""
        return "; ".join(
            one.text if one.code == UNNUMBERED else f"{one.code} {one.text}" for one in found
        )

    def _rf_is_on(self) -> bool:
        if not (self._radiates and self._driver.can_tell_rf):
            return False
        try:
            on = bool(self._player.run(asked(self._driver.rf_query())))
        except (LinkLost, BadReply):
            self.hides_rf = True
            self._link.reopen()  # OFF is the first word there
            return False
        return on


def advice_for(attempt: Attempt, outcome: str) -> str:
    """What a person does about a command that was not taken; "" for one that was."""
    if outcome == "switched-rf-on":
        return "Give this command the instrument's own words before anything else."
    if outcome == "other-answer":
        return "Say under `replies:` how this answer reads."
    if outcome not in ("refused", "no-answer"):
        return ""
    if attempt.uses:
        uses = " and ".join(attempt.uses)
        return f"Give it the instrument's own words; it is needed for {uses}."
    return "Give it the instrument's own words, or leave it out with null."


def line_for(attempt: Attempt, outcome: str, said: str) -> str:
    """The line that the bench file wants below the instrument's name; "" where it wants none."""
    name = attempt.command
    if outcome == "other-answer":
        return f"replies: {{{name}: {_form(attempt, said)}}}"
    if outcome not in ("refused", "no-answer", "switched-rf-on"):
        return ""
    if attempt.uses or outcome == "switched-rf-on":
        return f"commands: {{{name}: {_quoted(attempt.template)}}}"
    return f"commands: {{{name}: null}}"


def _form(attempt: Attempt, said: str) -> str:
    """A form that fits what was answered, as far as one answer can tell."""
    match attempt.answer:
        case "state" | "states":
            return f"{{on: WORD, off: {_quoted(said)}}}"
        case "done":
            return f"{{done: {_quoted(said)}}}"
        case "error":
            return f'{{form: "{{text}}", none: {_quoted(said)}}}'
        case "text":
            return _quoted("{text}")
    return _quoted(_NUMBER.sub("{value}", said, count=1))


def _quoted(text: str) -> str:
    """As a double-quoted scalar of YAML 1.2 (7.3.1)."""
    return '"' + text.replace("\\", "\\\\").replace('"', '\\"') + '"'


def _values(about: Any) -> dict[str, Any]:
    """Harmless values within what the bench file says of the instrument."""
    values: dict[str, Any] = {}
    if isinstance(about, SwitchInstrument):
        first = next((number for bank in about.banks.values() for number in bank.values()), None)
        return {} if first is None else {"channels": str(first)}
    if isinstance(about, (SourceInstrument, AnalyzerInstrument, PowerMeterInstrument)):
        low_hz, high_hz = about.frequency_hz.least, about.frequency_hz.most
        middle_hz = 0.5 * (low_hz + high_hz)
        values = {"frequency_hz": middle_hz, "centre_hz": middle_hz, "readings": 1}
        values |= {"frequencies_hz": (low_hz, middle_hz, high_hz), "delay_s": 0.0}
        values |= {"start_hz": low_hz, "stop_hz": high_hz}
    if isinstance(about, SourceInstrument):
        values |= {"level_dbm": about.level_dbm.least, "points": 11, "dwell_s": 0.01}
    if isinstance(about, AnalyzerInstrument):
        values |= {
            "span_hz": 0.0, "points": about.options.get("point_samples", 1),
            "resolution_bandwidth_hz": _bandwidth(about), "video_bandwidth_hz": _bandwidth(about),
            "sweep_time_s": 0.01, "detector": about.options.get("detectors", {}).get("rms", "RMS"),
            "attenuation_db": 10.0, "reference_level_dbm": 0.0, "dwell_s": 0.01,
        }  # fmt: skip
        if about.tracking_level_dbm is not None:
            values["level_dbm"] = about.tracking_level_dbm.least
    return values


def _bandwidth(about: AnalyzerInstrument) -> float:
    band = about.resolution_bandwidth_hz
    return 10e3 if band is None else min(max(10e3, band.least), band.most)
