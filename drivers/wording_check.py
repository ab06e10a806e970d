"""Does a bench file's wording of a command do what the command is for? Pure.

A template that can be filled in may still be wrong: without its placeholder every level is the
same, with `{level_dbm:.0f}` it is another than was asked for, and behind a `;` RF can come on.
Here each reworded command is held against the driver's own wording, and the words that switch an
output are held against each other. What the text cannot tell is left to the instrument: levels,
frequencies and RF off are read back when a job runs.
"""

from __future__ import annotations

import re
import string
from collections.abc import Iterator, Mapping
from dataclasses import dataclass

from drivers.errors import BadTemplate, shown
from drivers.messages import (
    Unit,
    mutes,
    names_output,
    on_or_off,
    same_level,
    same_output,
    switched_thing,
    units_of,
)
from drivers.templates import Command, bad_template

_NUMBER = re.compile(r"[+-]?(?:[0-9]+\.?[0-9]*|\.[0-9]+)(?:[eE][+-]?[0-9]+)?", re.ASCII)
_HARMLESS = ("*OPC", "*WAI")
# Commands by which an output is switched on, off, and asked about.
_OUTPUTS = (("rf_on", "rf_off", "rf_query"), ("tracking_on", "tracking_off", "tracking_query"))
_SETS_LEVEL = ("set_level", "tracking_level")


@dataclass(frozen=True, slots=True)
class _Probe:
    """Values to try a placeholder with, and the tolerance of the numbers that come out."""

    values: tuple[float, ...]
    absolute: float
    relative: float = 0.0


# In Hz, s, dBm, dB. A source 1 kHz off is still inside a resolution bandwidth of 10 kHz; a tenth
# of a dB is what a source can be set to (common practice, no source).
_PROBES = {
    "bandwidth_hz": _Probe((30.0, 1e3, 10e3, 300e3, 3e6), 0.5, 0.01),
    "hz": _Probe((123_456_789.0, 1_234_567_891.0, 1_700_000_000.0, 5_987_654_321.0), 1e3, 1e-6),
    "s": _Probe((0.00234, 0.0617, 1.37, 42.6), 0.0, 0.05),
    "dbm": _Probe((-57.37, -12.48, 0.0, 3.62, 14.86), 0.0501),
    "db": _Probe((0.0, 7.4, 12.6, 40.0), 0.501),
    "": _Probe((0.0123, 1.0, 123.4), 0.0, 1e-3),
}
_COUNTS = (1, 2, 101, 2001, 10_001, 100_001)
_WORD = "WORD,101"
# What a unit written behind a placeholder is worth in the placeholder's base unit.
_UNITS = {
    "hz": {
        "HZ": 1.0, "KHZ": 1e3, "MHZ": 1e6, "MAHZ": 1e6, "GHZ": 1e9,
        "KZ": 1e3, "MZ": 1e6, "GZ": 1e9, "KH": 1e3, "MH": 1e6, "GH": 1e9,
    },
    "s": {"S": 1.0, "SEC": 1.0, "MS": 1e-3, "MSEC": 1e-3, "US": 1e-6, "USEC": 1e-6, "NS": 1e-9},
    "dbm": {
        "DBM": 1.0, "DM": 1.0, "DB": 1.0,
        "W": 0.0, "MW": 0.0, "UW": 0.0, "V": 0.0, "MV": 0.0, "UV": 0.0, "DBUV": 0.0, "DBMV": 0.0,
        "DBV": 0.0, "DBW": 0.0,
    },
    "db": {"DB": 1.0, "DBM": 0.0},
}  # fmt: skip


def wrong_wordings(
    instrument: str,
    own: Mapping[str, str],
    commands: Mapping[str, Command | None],
    reworded: frozenset[str],
    answered: frozenset[str] = frozenset(),
) -> Iterator[BadTemplate]:
    """Everything that is wrong with the commands that a bench file words anew.

    own: the driver's own templates. commands: all commands as they will be used. answered: those
        whose reply the bench file describes, which are questions however they are worded.
    """
    blamed = set()
    for name in sorted(reworded):
        command = commands[name]
        if command is None:
            continue
        faults = (
            *_value_faults(command),
            *_shape_faults(command, own[name], is_question=name in answered),
            *_switching_faults(command, commands),
        )
        # Only the first fault is reported: later ones may be consequences of it.
        if faults:
            blamed.add(name)
            yield command.wrong(faults[0])
    for names in _OUTPUTS:
        if names[0] in own and reworded & set(names) and not blamed & set(names):
            yield from _output_faults(instrument, names, commands, reworded)
    for _, _, name in _OUTPUTS:
        unit = _unit(commands, name)
        if unit is not None and name in reworded and mutes(unit.header) and name not in answered:
            words = f"say under `replies:` what it means: {name}: {{on: [0, OFF], off: [1, ON]}}"
            yield bad_template(
                instrument,
                name,
                f"`{name}` asks whether the output is muted, which is on where RF is off; {words}.",
            )
    yield from _missing_faults(instrument, commands, reworded)


# -- values ---------------------------------------------------------------------------------------


def _value_faults(command: Command) -> Iterator[str]:
    """Every value must stand in the message, and read there as it was meant."""
    placed = set()
    pieces = list(string.Formatter().parse(command.template))
    for index, (before, field, spec, _) in enumerate(pieces):
        if field is None:
            continue
        name, factor = command.source_of(field)
        placed.add(name)
        kind = command.parameters[name]
        behind = pieces[index + 1][0] if index + 1 < len(pieces) else ""
        # The last piece may hold text alone, or begin with text ahead of its own placeholder.
        if kind is str:
            if format(_WORD, spec or "") != _WORD:
                yield f"changes the word in {{{field}:{spec}}}; write {{{field}}} alone"
            continue
        yield from _number_faults(field, spec or "", kind, name, factor)
        yield from _neighbour_faults(field, before, behind, name, factor)
    for name in command.parameters:
        if name not in placed:
            yield (
                f"has no place for {name}, so that every value would come out the same; "
                f"write it as {{{name}}} where the value belongs"
            )


def _number_faults(field: str, spec: str, kind: type, name: str, factor: float) -> Iterator[str]:
    probe = _probe(name)
    values = _COUNTS if kind is int else probe.values
    for value in values:
        worded = format(value * factor if factor != 1.0 else value, spec).strip()
        placeholder = f"{{{field}:{spec}}}" if spec else f"{{{field}}}"
        if not _NUMBER.fullmatch(worded):
            yield f"writes {value:g} as {shown(worded)} in {placeholder}, which is no plain number"
            return
        allowed = 0.0 if kind is int else max(probe.absolute, probe.relative * abs(value))
        back = float(worded) / factor
        if abs(back - value) > allowed:
            yield (
                f"loses what matters: {placeholder} makes {name} {back:.12g} of {value:.12g}; "
                "give it more digits, such as {" + field + (":d}" if kind is int else ":.9g}")
            )
            return


def _neighbour_faults(
    field: str, before: str, behind: str, name: str, factor: float
) -> Iterator[str]:
    """Text that touches a placeholder must not become part of the number or of its unit."""
    if re.search(r"(?:[0-9.+-]|[0-9.][eE])\Z", before):
        yield f"has {shown(before[-2:])} ahead of {{{field}}}, which changes the number"
    if re.match(r"[0-9.]|\s*[eE]\s*[+-]?[0-9]", behind):
        yield f"has {shown(behind[:2])} behind {{{field}}}, which changes the number"
    unit = re.match(r"\s*([A-Za-z]+)", behind)
    quantity = name.rpartition("_")[2]
    worth = _UNITS.get(quantity, {}).get(unit.group(1).upper()) if unit else None
    if unit and worth is not None and abs(worth * factor - 1.0) > 1e-9:
        yield (
            f"says {unit.group(1)} behind {{{field}}}, which is given in {field.rpartition('_')[2]}"
        )


def _probe(name: str) -> _Probe:
    if name.endswith("bandwidth_hz"):
        return _PROBES["bandwidth_hz"]
    return _PROBES.get(name.rpartition("_")[2], _PROBES[""])


# -- shape ----------------------------------------------------------------------------------------


def _shape_faults(command: Command, own: str, *, is_question: bool = False) -> Iterator[str]:
    """As many messages as the driver's own wording, and a reply where one is awaited."""
    units, meant = units_of(command.template), units_of(own)
    if not all(unit.header for unit in units):
        yield "holds an empty command; take out the `;` that is too many"
        return
    if len(meant) == 1 and len(units) > 1:
        yield "joins several commands with `;`; this command is one message alone"
        return
    extra = [unit for unit in units if unit.common and unit.header not in _HARMLESS]
    if len(meant) > 1 and extra:
        yield f"holds {extra[0].header}; beside the command itself only *OPC? and *WAI may stand"
    # A question of its own at the end does what `*OPC?` does in the driver's wording.
    asked = units[:-1] if meant[-1].common and units[-1].query and len(units) > 1 else units
    plain = sum(not unit.common for unit in asked)
    most = sum(not unit.common for unit in meant)
    if len(meant) > 1 and plain > most:
        yield f"joins {plain} commands with `;`, expected {most} at most"
    if any("?" in _unquoted(" ".join((unit.header, *unit.arguments))) for unit in units):
        yield "holds a `?` where no question ends; it stands right behind the header of a question"
    if any(unit.query for unit in units[:-1]):
        yield "asks a question ahead of its last command, whose answer nobody would read"
    if units[-1].query and not meant[-1].query:
        yield "asks a question, whose answer nobody would read; this command only sets something"
    if meant[-1].query and not units[-1].query and not is_question:
        yield "asks nothing, but an answer is awaited; a question ends in `?`"


def _unquoted(text: str) -> str:
    return re.sub(r"'[^']*'|\"[^\"]*\"", "", text)


# -- what switches an output ----------------------------------------------------------------------


def _switching_faults(command: Command, commands: Mapping[str, Command | None]) -> Iterator[str]:
    """Only the commands made for it may switch an output on, or set a level."""
    switching = [name for names in _OUTPUTS for name in names]
    on = [_unit(commands, names[0]) for names in _OUTPUTS]
    level = [_unit(commands, name) for name in _SETS_LEVEL]
    for unit in units_of(command.template):
        if unit.query:
            continue
        if unit.header == "*RCL":
            yield "holds *RCL, which may bring back a state with RF on"
        radiates = on_or_off(unit) != "off" and (
            names_output(unit.header) or any(_same_thing(unit, other) for other in on if other)
        )
        if radiates and command.name not in switching:
            yield "switches an output on; only rf_on and tracking_on may do that"
        if command.name not in _SETS_LEVEL and any(
            same_level(unit.header, other.header) for other in level if other
        ):
            yield "sets the level; only set_level and tracking_level may do that"


def _same_thing(unit: Unit, switch_on: Unit) -> bool:
    if on_or_off(switch_on) is None:
        return unit == switch_on
    thing, _ = switched_thing(switch_on)
    return same_output(switched_thing(unit)[0], thing)


def _output_faults(
    instrument: str,
    names: tuple[str, str, str],
    commands: Mapping[str, Command | None],
    reworded: frozenset[str],
) -> Iterator[BadTemplate]:
    """On, off and the question must be about one thing, and say what they are for."""
    on, off, query = (_unit(commands, name) for name in names)
    if off is not None and on_or_off(off) == "on":
        yield _about(instrument, names[1], "says on, not off", commands)
        return
    if on is not None and on_or_off(on) == "off":
        yield _about(instrument, names[0], "says off, not on", commands)
        return
    if on is None or off is None:
        return
    if on == off:
        yield _about(instrument, names[1], f"is the same as that of `{names[0]}`", commands)
        return
    told = on_or_off(on) is not None and on_or_off(off) is not None
    if told and not _about_one(on, off):
        at = names[1] if names[1] in reworded else names[0]
        fault = f"`{names[0]}` and `{names[1]}` switch different things"
        yield _about(instrument, at, fault, commands, (names[0], names[1]))
        return
    told = bool(off.arguments) or on_or_off(off) is not None
    if query is not None and told and not _about_one(off, query):
        at = names[2] if names[2] in reworded else names[1]
        fault = f"`{names[2]}` asks something else than `{names[1]}` sets"
        yield _about(instrument, at, fault, commands, (names[1], names[2]))


def _missing_faults(
    instrument: str, commands: Mapping[str, Command | None], reworded: frozenset[str]
) -> Iterator[BadTemplate]:
    """An output that can be switched on must be set to a level, switched off, and asked about."""
    if commands.get("tracking_on") is None:
        return
    for name in ("tracking_level", "tracking_off", "tracking_query"):
        if name in reworded and commands[name] is None:
            yield bad_template(
                instrument,
                name,
                f"`{name}` was removed, but `tracking_on` was not: benchd could switch the output "
                "on without it.",
            )


def _about_one(one: Unit, other: Unit) -> bool:
    """Whether two commands are about one output; a channel counts only where both name it."""
    (left, left_rest), (right, right_rest) = switched_thing(one), switched_thing(other)
    if left_rest and right_rest and left_rest != right_rest:
        return False
    return same_output(left, right)


def _about(
    instrument: str,
    name: str,
    fault: str,
    commands: Mapping[str, Command | None],
    quoted: tuple[str, ...] = (),
) -> BadTemplate:
    texts = [command.template for one in quoted or (name,) if (command := commands[one])]
    said = " and ".join(shown(text) for text in texts)
    text = fault if fault.startswith("`") else f"the template of `{name}` {fault}"
    return bad_template(instrument, name, f"{text}: {said}.")


def _unit(commands: Mapping[str, Command | None], name: str) -> Unit | None:
    """The first unit of a command; None where the driver lacks it or the bench file removed it."""
    command = commands.get(name)
    return None if command is None else units_of(command.template)[0]
