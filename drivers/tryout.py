"""Which commands of a driver may be tried on an instrument without harm, and with what. Pure.

What switches an output on, moves a contact or makes a present reading the zero is never tried, and
neither is a command that only a stranger's driver knows.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping
from dataclasses import dataclass
from functools import partial
from typing import Any

from drivers import parse
from drivers.analyzer import ScpiAnalyzer
from drivers.exchange import Exchange, Reply
from drivers.instrument import Instrument
from drivers.lid import ScpiLid
from drivers.messages import units_of
from drivers.powermeter import ScpiPowerMeter
from drivers.replies import Answer
from drivers.source import ScpiSource
from drivers.switch import ScpiSwitch
from drivers.templates import Command
from drivers.thermometer import ScpiThermometer

NOT_TRIED: Mapping[str, str] = {
    "rf_on": "it would switch RF on",
    "tracking_on": "it would switch RF on",
    "close": "it would move contacts",
    "open": "it would move contacts",
    "zero": "it would make the present reading the zero",
    "list_fetch": "there are no readings before a list is through",
}
"""Command -> why it is never tried."""

_OURS = (ScpiSource, ScpiAnalyzer, ScpiPowerMeter, ScpiSwitch, ScpiLid, ScpiThermometer)
# What ends radiation, then what tells of errors, then short single sweeps of zero span: a question
# for the end of a sweep would else wait for a long one.
_FIRST = (
    "rf_off", "tracking_off", "next_error", "identify", "clear", "reset", "finished",
    "continuous_on", "continuous_off", "abort", "set_start", "set_stop", "set_centre", "set_span",
    "set_points", "sweep_time_auto", "set_sweep_time",
)  # fmt: skip
# A trace is asked for in the form that was set last; nothing may follow a sweep that is not waited
# for.
# Lists: loaded and gone through by command, then left for a fixed frequency as it was before.
_LISTS = (
    "list_frequencies", "list_points_query", "list_dwell", "list_delay", "list_on",
    "list_by_cable", "list_by_command", "list_start", "list_next", "list_running_query",
    "list_place_query", "list_abort", "list_by_itself", "list_off", "list_fetch",
)  # fmt: skip
_LAST = ("format_ascii", "single_sweep", "trigger_point", "point", "fetch_trace", "trigger")


@dataclass(frozen=True, slots=True)
class Attempt:
    """One command, as it would be tried.

    exchange: its message; a query's reply is read as text, and `parser` turns it into a value.
    None where it is not tried, and `why_not` says why.
    uses: what needs it ("any use", "hold sweeps"); empty for one that may be removed freely.
    """

    command: str
    template: str
    exchange: Exchange | None = None
    parser: Callable[[Any], Any] | None = None
    why_not: str = ""
    uses: tuple[str, ...] = ()
    answer: Answer = "text"


def attempts(driver: Instrument, values: Mapping[str, Any]) -> list[Attempt]:
    """All commands that the driver has, in the order in which they may be tried; those of lists
    only where the bench file says that it has lists.

    values: for the parameters of the commands, by name, such as `frequency_hz`; a command with
    another parameter is not tried.
    """
    known = {name for one in _OURS for name in (*one.templates, *Instrument._common)}
    commands = {
        name: one
        for name, one in driver._commands.items()
        if one is not None and (name not in _LISTS or driver.options.get("list"))
    }
    return [_attempt(driver, name, commands[name], values, known) for name in _ordered(commands)]


def _ordered(commands: Mapping[str, Command]) -> Iterator[str]:
    yield from (name for name in _FIRST if name in commands)
    yield from (name for name in commands if name not in (*_FIRST, *_LISTS, *_LAST))
    yield from (name for name in _LISTS if name in commands)
    yield from (name for name in _LAST if name in commands)


def _attempt(
    driver: Instrument, name: str, command: Command, values: Mapping[str, Any], known: set[str]
) -> Attempt:
    uses = _uses(driver, name)
    missing = [one for one in command.parameters if one not in values]
    why_not = NOT_TRIED.get(name, "")
    if not why_not and name not in known:
        why_not = "nobody here knows whether it is harmless"
    if not why_not and missing:
        why_not = f"no safe value is known for {', '.join(missing)}"
    binary = driver.options.get("trace_format", "real32") != "ascii"
    if not why_not and name == "fetch_trace" and binary and not driver.has("format_ascii"):
        why_not = "its trace comes in binary form"
    if why_not:
        return Attempt(name, command.template, why_not=why_not, uses=uses)
    text = command.text(**{one: values[one] for one in command.parameters})
    answer = {**driver._common_answers, **driver.answers}.get(name, "text")
    if not units_of(text)[-1].query and name not in driver.options.get("replies", {}):
        return Attempt(name, command.template, Exchange(driver.name, text), uses=uses)
    count = len(str(values.get("channels", "")).split(",")) if answer == "states" else 1
    # SCPI tells by bits whether a list runs; other words for it are those of a state.
    bits = name == "list_running_query" and name not in driver.options.get("replies", {})
    parser = driver._reader(name, _parser("number" if bits else answer, count))
    question = Exchange(driver.name, text, Reply.TEXT)
    return Attempt(name, command.template, question, parser, uses=uses, answer=answer)


def _uses(driver: Instrument, name: str) -> tuple[str, ...]:
    if name in driver.required:
        return ("any use",)
    return tuple(sorted(use for use, names in driver.needed_for.items() if name in names))


def _parser(answer: Answer, count: int) -> Callable[[Any], Any]:
    match answer:
        case "number":
            return parse.number
        case "state":
            return parse.on_off
        case "states":
            return partial(parse.flags, count=count)
        case "done":
            return parse.done
        case "error":
            return parse.queue_entry
        case "trace":
            return _levels
    return parse.identity


def _levels(reply: str) -> list[float]:
    """However many levels there are: how many were asked for is another question."""
    return [parse.number(part) for part in reply.split(",")]
