"""Taking the text of a SCPI message apart: units, headers, arguments, and whether it switches.
Pure.

SCPI-1999 volume 1 (clause numbers from memory): a message holds units separated by `;`; a header
is a path of mnemonics separated by `:` (6.2.2); each mnemonic has a long and a short form (6.2.1);
a query's header ends in `?`; some nodes of a path may be left out (5.1).
"""

from __future__ import annotations

import re
from dataclasses import dataclass
from typing import Literal

OnOff = Literal["on", "off"]

_QUOTED = re.compile(r"'[^']*'|\"[^\"]*\"")
_HEADER_END = re.compile(r"\A([^\s=,]+)\s*[=,]\s*")
_SUFFIXED = re.compile(r"(.*?)([0-9]*)", re.ASCII)
_NUMBER = re.compile(r"[+-]?(?:[0-9]+\.?[0-9]*|\.[0-9]+)(?:[eE][+-]?[0-9]+)?", re.ASCII)
_ON_WORDS = ("ON", "TRUE", "TOGG", "TOGGLE", "ENAB", "ENABLE", "ENABLED")
_OFF_WORDS = ("OFF", "FALSE", "DIS", "DISABLE", "DISABLED")
# Nodes that may be left out: of an output's state, of a level, of a fixed frequency.
_STATE_NODES = ("STAT", "ALL")
_STATE_ROOTS = ("OUTP", "RF")
_LEVEL_NODES = ("LEV", "IMM", "AMPL")
_MUTES = re.compile(r"(?:^|:)(?:[A-Z]*MUTE|BLAN|BLANK|BLANKING|INH|INHIBIT)[0-9]*$")
# Headers that switch an RF output, whatever else the driver or the bench file calls it.
_OUTPUTS = ("OUTP", "OUTP:TRAC", "OUTP:RF", "RF", "RF:OUTP", "POW:STAT")


@dataclass(frozen=True, slots=True)
class Unit:
    """One command of a message.

    header: its path in capitals, without a leading `:` and without `?`.
    query: whether it asks something, by a `?` behind the header or at its very end.
    arguments: what stands behind the header, split at commas outside brackets and quotes.
    """

    header: str
    arguments: tuple[str, ...]
    query: bool

    @property
    def common(self) -> bool:
        """A command such as `*OPC?`, which every instrument has."""
        return self.header.startswith("*")


def units_of(message: str) -> list[Unit]:
    """The units of a message; one that is empty stands as a unit without a header."""
    return [_unit(part) for part in _split(message, ";")]


def same_header(one: str, other: str) -> bool:
    """True where two headers name the same thing: long or short form, first of several."""
    left, right = one.split(":"), other.split(":")
    return len(left) == len(right) and all(
        _same_node(a, b) for a, b in zip(left, right, strict=True)
    )


def same_output(one: str, other: str) -> bool:
    """True where two headers name the same output's state: `OUTP` and `OUTPUT1:STATE`."""
    return same_header(_output(one), _output(other))


def same_level(one: str, other: str) -> bool:
    """True where two headers name the same level: `POW` and `SOUR:POW:LEV:IMM:AMPL`."""
    return same_header(_without(one, _LEVEL_NODES), _without(other, _LEVEL_NODES))


def names_output(header: str) -> bool:
    """True for a header that, as far as anybody knows, switches an RF output."""
    return any(same_output(header, output) for output in _OUTPUTS)


def on_or_off(unit: Unit) -> OnOff | None:
    """Whether a command switches on or off; None where its text does not tell.

    A word decides before a number, since the number may name a channel (`OUTP OFF,1`). What mutes
    or blanks an output is on when the output is off.
    """
    said = _said_on_or_off(unit)
    if said is not None and mutes(unit.header):
        return "off" if said == "on" else "on"
    return said


def mutes(header: str) -> bool:
    """True for a header that mutes or blanks an output: it is on when the output is off."""
    return _MUTES.search(header) is not None


def _said_on_or_off(unit: Unit) -> OnOff | None:
    words = [argument.strip("'\" ").upper() for argument in unit.arguments]
    if any(word in _ON_WORDS for word in words):
        return "on"
    if any(word in _OFF_WORDS for word in words):
        return "off"
    for word in reversed(words):
        if _NUMBER.fullmatch(word):
            return "off" if float(word) == 0.0 else "on"
    if unit.arguments:
        return None
    last = unit.header.rpartition(":")[2]
    if last.endswith("OFF") or re.fullmatch("[A-Z]+0", last):
        return "off"
    if last == "ON" or (last.endswith("ON") and len(last) <= 4) or re.fullmatch("[A-Z]+1", last):
        return "on"
    return None


def switched_thing(unit: Unit) -> tuple[str, tuple[str, ...]]:
    """What a command switches or asks about: its header, and the arguments that are no value.

    `RF0` and `RFOFF` are about RF; `OUTP OFF,(@2)` is about `OUTP` of channel 2.
    """
    words = [argument.strip("'\" ").upper() for argument in unit.arguments]
    if not words and not unit.query:
        # `OUTP:OFF` is about OUTP; `RF0` is about RF.
        shorter = re.sub(r"(?::(?:ON|OFF)|[01]|(?<=[A-Z])(?:ON|OFF))\Z", "", unit.header)
        return shorter or unit.header, ()
    named = [word for word in words if word in _ON_WORDS or word in _OFF_WORDS]
    if not unit.query and words:
        value = named[-1] if named else words[-1]
        words.remove(value)
    return unit.header, tuple(_plain(word) for word in words)


def _plain(word: str) -> str:
    return word.replace(" ", "").removeprefix("(@").removesuffix(")").removeprefix("CH")


def _unit(text: str) -> Unit:
    # Some dialects put `=` or a comma behind the header, where IEEE 488.2 has a blank.
    header, _, rest = _HEADER_END.sub(r"\1 ", text.strip()).partition(" ")
    header = header.upper().removeprefix(":")
    query = header.endswith("?")
    if not query and rest.rstrip().endswith("?"):
        # Some dialects end the whole question in `?`, not its header.
        query, rest = True, rest.rstrip()[:-1]
    arguments = tuple(part.strip() for part in _split(rest, ",")) if rest.strip() else ()
    return Unit(header.removesuffix("?"), arguments, query)


def _split(text: str, separator: str) -> list[str]:
    """Split where the separator stands outside quotes and brackets."""
    hidden = _QUOTED.sub(lambda match: "x" * len(match.group()), text)
    if separator == ",":
        hidden = re.sub(r"\([^)]*\)", lambda match: "x" * len(match.group()), hidden)
    parts, start = [], 0
    for index, letter in enumerate(hidden):
        if letter == separator:
            parts.append(text[start:index])
            start = index + 1
    return [*parts, text[start:]]


def _output(header: str) -> str:
    """`OUTP:STAT` is `OUTP`; but `POW:STAT` switches, and `POW` is a level."""
    bare = _without(header, ())
    root = bare.partition(":")[0]
    if any(_parts(root)[0] in (one, "OUTPUT") for one in _STATE_ROOTS):
        return _without(bare, _STATE_NODES)
    return bare


def _without(header: str, optional: tuple[str, ...]) -> str:
    """The header without a leading SOURce and without the nodes that may be left out."""
    nodes = header.split(":")
    if len(nodes) > 1 and _same_node(nodes[0], "SOUR"):
        nodes = nodes[1:]
    first, rest = nodes[0], nodes[1:]
    kept = [node for node in rest if not any(_same_node(node, other) for other in optional)]
    return ":".join([first, *kept])


def _same_node(one: str, other: str) -> bool:
    (left, left_number), (right, right_number) = _parts(one), _parts(other)
    if (left_number or "1") != (right_number or "1"):
        return False
    short, long = sorted((left, right), key=len)
    return short == long or short == _short_form(long)


def _parts(node: str) -> tuple[str, str]:
    match = _SUFFIXED.fullmatch(node)
    assert match is not None  # the pattern takes any text
    return match.group(1), match.group(2)


def _short_form(word: str) -> str:
    """Four letters, or three where the fourth is a vowel (SCPI-1999 volume 1, 6.2.1)."""
    if len(word) <= 4:
        return word
    return word[:3] if word[3] in "AEIOU" else word[:4]
