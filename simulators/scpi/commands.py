"""The command tree: header patterns, header paths, and messages turned into units to run.

Patterns are written as the standard prints them: `[SENSe:]FREQuency:CENTer`, `TRACe[1]:MODE`,
capitals for the short form, brackets for optional nodes, `?` at the end for a query.
"""

from __future__ import annotations

import itertools
import re
from collections.abc import Callable, Iterable
from dataclasses import dataclass, field
from typing import Any, NamedTuple

from simulators.scpi.blocks import block_extent
from simulators.scpi.errors import ScpiError
from simulators.scpi.parameters import Parameter, mnemonic_forms


@dataclass(frozen=True, slots=True)
class Wait:
    """Returned by a command that cannot finish yet: run it again at this simulated time."""

    until_s: float


Reply = str | bytes | Wait | None


@dataclass(frozen=True)
class Command:
    """A header pattern and what it does.

    Attributes:
        pattern: see the module's docstring.
        run: called with the parsed parameters; returns the reply of a query, None for a
            command, or `Wait`.
        parameters: kinds of the parameters, in order.
        required: how many of them must be there; all, if None.
    """

    pattern: str
    run: Callable[..., Reply]
    parameters: tuple[Parameter, ...] = ()
    required: int | None = None

    def parse_parameters(self, texts: list[str]) -> tuple[Any, ...]:
        """Values of the parameters.

        Raises:
            ScpiError: -109 too few, -108 too many, or what a parameter says of its text.
        """
        required = len(self.parameters) if self.required is None else self.required
        if len(texts) < required:
            raise ScpiError(-109, self.pattern)
        if len(texts) > len(self.parameters):
            raise ScpiError(-108, texts[len(self.parameters)][:40])
        return tuple(kind.parse(text) for kind, text in zip(self.parameters, texts, strict=False))


class Unit(NamedTuple):
    """One program message unit, ready to run; `error` is what was wrong with its text."""

    text: str
    run: Callable[..., Reply] | None
    arguments: tuple[Any, ...]
    error: ScpiError | None


_NODE = re.compile(r"(\[)?:?([A-Za-z_*][A-Za-z0-9_]*)(\[1\])?:?(\])?:?")


def pattern_headers(pattern: str) -> list[str]:
    """Every header, upper case and without the `?`, that a pattern stands for."""
    choices: list[tuple[str, ...]] = []
    position = 0
    bare = pattern.removesuffix("?")
    while position < len(bare):
        match = _NODE.match(bare, position)
        if match is None or bool(match[1]) != bool(match[4]):
            raise ValueError(f"bad header pattern {pattern!r} at column {position + 1}")
        forms = dict.fromkeys(mnemonic_forms(match[2]))
        if match[3]:
            forms |= dict.fromkeys([f"{form}1" for form in forms])
        choices.append((*forms, "") if match[1] else tuple(forms))
        position = match.end()
    return [":".join(filter(None, nodes)) for nodes in itertools.product(*choices)]


_HEADER = re.compile(r"\*?[A-Za-z][A-Za-z0-9_]*(?::[A-Za-z][A-Za-z0-9_]*)*\Z")
_SPECIAL = re.compile(r"""["'#(),;]""")


def split_outside(text: str, separator: str) -> list[str]:
    """Split at a separator that stands outside strings, blocks and parentheses.

    Raises:
        ScpiError: -151, -161 or -171 if one of those is not closed.
    """
    parts: list[str] = []
    start = position = 0
    while True:
        match = _SPECIAL.search(text, position)
        if match is None:
            return [*parts, text[start:]]
        position = match.end()
        mark = match.group()
        if mark == separator:
            parts.append(text[start : match.start()])
            start = position
        elif mark in "\"'":
            position = text.find(mark, position) + 1
            if not position:
                raise ScpiError(-151, "the quotation mark is not closed")
        elif mark == "#" and text[position : position + 1].isdigit():
            position = block_extent(text, match.start())
        elif mark == "(":
            position = text.find(")", position) + 1
            if not position:
                raise ScpiError(-171, "the parenthesis is not closed")


@dataclass
class CommandTable:
    """All commands of one instrument; compiles messages and remembers what it compiled."""

    commands: Iterable[Command]
    _by_header: dict[str, Command] = field(default_factory=dict, init=False)
    _compiled: dict[bytes, tuple[Unit, ...]] = field(default_factory=dict, init=False)
    _capacity: int = 8192

    def __post_init__(self) -> None:
        self.commands = list(self.commands)
        for command in self.commands:
            mark = "?" if command.pattern.endswith("?") else ""
            for header in pattern_headers(command.pattern):
                self._by_header[header + mark] = command

    def find(self, header: str) -> Command:
        """Command of a full header, any case.

        Raises:
            ScpiError: -101, -102, -112, -113 or -114.
        """
        command = self._by_header.get(header) or self._by_header.get(header.upper())
        if command is not None:
            return command
        bare = header.removesuffix("?")
        if not bare.isascii():
            raise ScpiError(-101, ascii(header[:40]))
        if not _HEADER.match(bare):
            raise ScpiError(-102, header[:40])
        if any(len(node) > 12 for node in bare.split(":")):
            raise ScpiError(-112, header[:40])
        without_suffixes = re.sub(r"[0-9]+(?=:|\?|\Z)", "", header.upper())
        raise ScpiError(-114 if without_suffixes in self._by_header else -113, header[:40])

    def compile(self, message: bytes) -> tuple[Unit, ...]:
        """Units of one program message; a command error ends the list with that error."""
        units = self._compiled.get(message)
        if units is None:
            units = self._compile(message.decode("latin-1"))
            if len(self._compiled) >= self._capacity:
                self._compiled.clear()
            self._compiled[message] = units
        return units

    def _compile(self, text: str) -> tuple[Unit, ...]:
        units: list[Unit] = []
        try:
            pieces = split_outside(text, ";")
        except ScpiError as error:
            return (Unit(text, None, (), error),)
        path: list[str] = []
        for piece in pieces:
            piece = piece.strip(" \t\r")
            if not piece:
                continue
            try:
                unit, path = self._compile_unit(piece, path)
            except ScpiError as error:
                # IEEE 488.2-1992, 6.1.6.1.1: after a command error the parser starts afresh.
                units.append(Unit(piece, None, (), error))
                break
            units.append(unit)
        return tuple(units)

    def _compile_unit(self, piece: str, path: list[str]) -> tuple[Unit, list[str]]:
        """One unit and the header path that holds after it.

        SCPI-1999 volume 1, 6.2.4 with IEEE 488.2-1992, A.1.1: the path is the header before
        without its last node; a leading colon goes back to the root; common commands neither
        use nor change it.
        """
        header, _, rest = piece.partition(" ")
        header, tab, after_tab = header.partition("\t")
        if tab:
            rest = f"{after_tab} {rest}"
        if not header.startswith("*"):
            nodes = header[1:].split(":") if header.startswith(":") else [*path, *header.split(":")]
            path = nodes[:-1]
            header = ":".join(nodes)
        command = self.find(header)
        rest = rest.strip(" \t")
        texts = [part.strip(" \t") for part in split_outside(rest, ",")] if rest else []
        if any(not text for text in texts):
            raise ScpiError(-109, piece[:40])
        return Unit(piece, command.run, command.parse_parameters(texts), None), path
