"""Reading an untrusted YAML 1.2 file into plain data that still knows its lines and columns.

The file is read as a stream of parse events, so that every bound (size, nesting, number of
values) acts before anything is built. Anchors, aliases, tags, merge keys and directives are
refused: a recipe needs none of them, and a few bytes of them can unfold into gigabytes.

Plain scalars follow the core schema of YAML 1.2.2, section 10.3.2: `yes` and `on` are text.
"""

from __future__ import annotations

import difflib
import re
from collections.abc import Iterable, Iterator
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from ruamel.yaml import YAML
from ruamel.yaml.error import MarkedYAMLError, YAMLError
from ruamel.yaml.reader import ReaderError

from benchd.errors import FileError, Problem
from benchd.untrusted import LARGEST_FILE_BYTES, read_regular

KeyPath = tuple[str | int, ...]

DEEPEST_NESTING = 24
MOST_VALUES = 20_000
LONGEST_NUMBER = 40
MOST_PROBLEMS = 100
MOST_NAMES = 40

_NULL = re.compile(r"(?:null|Null|NULL|~|)\Z")
_TRUE = re.compile(r"(?:true|True|TRUE)\Z")
_FALSE = re.compile(r"(?:false|False|FALSE)\Z")
_INT = re.compile(r"[-+]?[0-9]+\Z")
_OCTAL = re.compile(r"0o[0-7]+\Z")
_HEXADECIMAL = re.compile(r"0x[0-9a-fA-F]+\Z")
_FLOAT = re.compile(r"[-+]?(?:\.[0-9]+|[0-9]+(?:\.[0-9]*)?)(?:[eE][-+]?[0-9]+)?\Z")
_NOT_FINITE = re.compile(r"(?:[-+]?\.(?:inf|Inf|INF)|\.(?:nan|NaN|NAN))\Z")
# What a terminal, a database or an MQTT topic would choke on: controls and lone surrogates.
_UNPRINTABLE = re.compile(r"[\x00-\x08\x0b-\x1f\x7f-\x9f\u2028\u2029\ud800-\udfff\ufffe\uffff]")


def nearest(word: str, allowed: Iterable[str]) -> str:
    """A hint for a name that is not there: the closest allowed name, then all of them."""
    names = sorted(allowed)
    if not names:
        return "there are none"
    by_case = [name for name in names if name.lower() == word.lower()]
    close = by_case or difflib.get_close_matches(word, names, n=1, cutoff=0.6)
    shown = ", ".join(names[:MOST_NAMES]) + (", ..." if len(names) > MOST_NAMES else "")
    return f'did you mean "{close[0]}"? Known: {shown}' if close else f"known are: {shown}"


def in_order(problems: Iterable[Problem]) -> list[Problem]:
    """Problems from the top of the file down, each once; a flood is cut off and counted."""
    ordered = sorted(dict.fromkeys(problems), key=lambda one: (one.line, one.column))
    if len(ordered) <= MOST_PROBLEMS:
        return ordered
    left = len(ordered) - MOST_PROBLEMS
    return [*ordered[:MOST_PROBLEMS], Problem(ordered[0].file, 0, 0, "", f"and {left} more")]


def printable(text: str) -> bool:
    """False for text that a terminal, a database or an MQTT topic would choke on."""
    return not _UNPRINTABLE.search(text)


def show_path(path: KeyPath) -> str:
    """A key path as people write it, list items counted from 1: `steps[3].capture.route`."""
    text = ""
    for part in path:
        if isinstance(part, int):
            text += f"[{part + 1}]"
        else:
            text += f".{part}" if text else part
    return text


@dataclass(frozen=True)
class Document:
    """One file as plain data (dict, list, str, int, float, bool, None) with its places.

    places: key path -> (line, column) of the value there, counted from 1.
    key_places: key path -> (line, column) of the key itself.
    """

    file: str
    text: str
    data: Any
    places: dict[KeyPath, tuple[int, int]] = field(default_factory=dict)
    key_places: dict[KeyPath, tuple[int, int]] = field(default_factory=dict)

    def place(self, path: KeyPath, *, on_key: bool = False) -> tuple[int, int]:
        """Line and column of the value at `path`, or of the nearest thing above it."""
        for end in range(len(path), -1, -1):
            head = path[:end]
            if on_key and head in self.key_places:
                return self.key_places[head]
            if head in self.places:
                return self.places[head]
        return (0, 0)

    def problem(self, path: KeyPath, message: str, *, on_key: bool = False) -> Problem:
        """A problem at `path`, with the line and column of its value (or of its key)."""
        line, column = self.place(path, on_key=on_key)
        while path and self.places and path not in self.places:
            # A lone value where a list may stand has no item of its own.
            path = path[:-1]
        return Problem(self.file, line, column, show_path(path), message)


def read_document(path: Path, *, error: type[FileError], file: str = "") -> Document:
    """Read one file. Raises `error` with every problem that can be found in one reading."""
    name = file or str(path)
    try:
        content = read_regular(path, LARGEST_FILE_BYTES)
    except OSError as cause:
        raise error([Problem(name, 0, 0, "", f"cannot be read: {cause.strerror}")]) from cause
    if len(content) > LARGEST_FILE_BYTES:
        raise error([_too_large(name)])
    try:
        text = content.decode("utf-8-sig")
    except UnicodeDecodeError as cause:
        line = content.count(b"\n", 0, cause.start) + 1
        column = cause.start - content.rfind(b"\n", 0, cause.start)
        message = (
            f"is not UTF-8 text: byte 0x{content[cause.start]:02X} cannot be read; "
            "save the file in UTF-8"
        )
        raise error([Problem(name, line, column, "", message)]) from cause
    return parse_document(text, file=name, error=error)


def parse_document(text: str, *, file: str, error: type[FileError]) -> Document:
    """Read YAML text. Raises `error`; no other exception leaves this function."""
    if len(text.encode("utf-8", "surrogatepass")) > LARGEST_FILE_BYTES:
        raise error([_too_large(file)])
    composer = _Composer(file)
    try:
        # The plain parser, not the round-trip one: comments are of no use here.
        data = composer.compose(YAML(typ="safe", pure=True).parse(text))
    except _StopReading:
        data = None
    except MarkedYAMLError as cause:
        composer.problems.append(_syntax_problem(file, text, cause))
    except ReaderError as cause:
        composer.problems.append(_reader_problem(file, text, cause))
    except (YAMLError, ValueError, OverflowError, RecursionError, IndexError) as cause:
        composer.problems.append(Problem(file, 0, 0, "", f"cannot be read as YAML: {cause}"))
    if composer.problems:
        raise error(in_order(composer.problems))
    return Document(file, text, data, composer.places, composer.key_places)


def _too_large(file: str) -> Problem:
    message = f"is larger than {LARGEST_FILE_BYTES // 1000} kB; a file of this kind never is"
    return Problem(file, 0, 0, "", message)


def _syntax_problem(file: str, text: str, cause: MarkedYAMLError) -> Problem:
    mark = cause.problem_mark or cause.context_mark
    line, column = (mark.line + 1, mark.column + 1) if mark else (0, 0)
    what = " ".join(str(cause.problem or cause.context or "").split())
    rows = text.splitlines()
    row = rows[line - 1] if 0 < line <= len(rows) else ""
    if "\t" in row[:column]:
        what = "found a tab; indent with spaces, never with tabs"
    elif what == "mapping values are not allowed here":
        what = 'found a second ":"; put text that holds ": " in quotes, or check the indentation'
    elif what == "expected a single document in the stream":
        what = 'found a second document; one file holds one, take out the line "---"'
    elif what == "found unexpected end of stream":
        what = "found the end of the file inside quotes; close them"
    return Problem(file, line, column, "", f"cannot be read as YAML: {what}")


def _reader_problem(file: str, text: str, cause: ReaderError) -> Problem:
    position = int(cause.position)
    line = text.count("\n", 0, position) + 1
    column = position - text.rfind("\n", 0, position)
    message = f"found the unprintable character U+{ord(text[position]):04X}; take it out"
    return Problem(file, line, column, "", message)


class _StopReading(Exception):
    """A bound was passed; the problem is noted already."""


class _Composer:
    """Parse events to plain data, collecting problems on the way."""

    def __init__(self, file: str) -> None:
        self.file = file
        self.problems: list[Problem] = []
        self.places: dict[KeyPath, tuple[int, int]] = {}
        self.key_places: dict[KeyPath, tuple[int, int]] = {}
        self._values = 0

    def compose(self, events: Iterator[Any]) -> Any:
        """The data of the only document; None for an empty file."""
        data: Any = None
        seen = False
        for event in events:
            kind = type(event).__name__
            if kind == "DocumentStartEvent":
                if seen:
                    message = 'found a second document; one file holds one, take out the line "---"'
                    self._stop(event, (), message)
                seen = True
                self._check_directives(event)
                data = self._value(next(events), events, ())
        return data

    def _check_directives(self, event: Any) -> None:
        if event.tags or (event.version and tuple(event.version) != (1, 2)):
            self._note(event, (), 'found a "%" directive; these files are plain YAML 1.2')

    def _value(self, event: Any, events: Iterator[Any], path: KeyPath) -> Any:
        self._values += 1
        if self._values > MOST_VALUES:
            self._stop(event, (), f"holds more than {MOST_VALUES} values")
        if len(path) > DEEPEST_NESTING:
            self._stop(event, (), f"is nested deeper than {DEEPEST_NESTING} levels")
        self.places[path] = (event.start_mark.line + 1, event.start_mark.column + 1)
        kind = type(event).__name__
        if kind == "AliasEvent" or event.anchor:
            sign = "*" if kind == "AliasEvent" else "&"
            name = f"{sign}{str(event.anchor)[:30]}"
            message = f'found the YAML anchor "{name}"; write the value out instead'
            self._note(event, path, message)
            if kind == "AliasEvent":
                return None
        if event.tag is not None:
            self._note(
                event, path, f'found the YAML tag "{str(event.tag)[:30]}"; tags are not used here'
            )
        if kind == "MappingStartEvent":
            return self._mapping(events, path)
        if kind == "SequenceStartEvent":
            return self._sequence(events, path)
        return self._scalar(event, path)

    def _sequence(self, events: Iterator[Any], path: KeyPath) -> list[Any]:
        items: list[Any] = []
        for event in events:
            if type(event).__name__ == "SequenceEndEvent":
                break
            items.append(self._value(event, events, (*path, len(items))))
        return items

    def _mapping(self, events: Iterator[Any], path: KeyPath) -> dict[str, Any]:
        mapping: dict[str, Any] = {}
        for event in events:
            if type(event).__name__ == "MappingEndEvent":
                break
            key = self._key(event, events, path)
            place = (event.start_mark.line + 1, event.start_mark.column + 1)
            value_event = next(events)
            if key is None:
                self._value(value_event, events, (*path, "?"))
                continue
            here = (*path, key)
            if key in mapping:
                first = self.key_places[here][0]
                self._note(event, here, f"stands here twice, first in line {first}; take one out")
                self._value(value_event, events, (*path, "?"))
                continue
            self.key_places[here] = place
            mapping[key] = self._value(value_event, events, here)
            if mapping[key] is None:
                # An empty value has no place of its own that would help anyone.
                self.places[here] = place
        return mapping

    def _key(self, event: Any, events: Iterator[Any], path: KeyPath) -> str | None:
        if type(event).__name__ != "ScalarEvent":
            self._note(event, path, "found a key that is not text; keys are plain words")
            self._value(event, events, (*path, "?"))
            return None
        value = self._scalar(event, path)
        if event.anchor or event.tag is not None:
            self._note(event, path, "found an anchor or a tag on a key; write the key alone")
            return None
        if not isinstance(value, str):
            self._note(
                event, path, f'found the key "{event.value}", expected text; put it in quotes'
            )
            return None
        if value == "<<":
            self._note(event, path, 'found the merge key "<<"; write the values out instead')
            return None
        return value

    def _scalar(self, event: Any, path: KeyPath) -> Any:
        text = str(event.value)
        bad = _UNPRINTABLE.search(text)
        if bad:
            code = f"U+{ord(bad.group()):04X}"
            self._note(event, path, f"found the unprintable character {code}; take it out")
            return "?"
        if event.style or event.tag is not None:
            return text
        if len(text) > LONGEST_NUMBER:
            return text
        if _NOT_FINITE.match(text):
            self._note(event, path, f'found "{text}", expected a finite number')
            return 0.0
        return _plain(text)

    def _note(self, event: Any, path: KeyPath, message: str) -> None:
        mark = event.start_mark
        self.problems.append(
            Problem(self.file, mark.line + 1, mark.column + 1, show_path(path), message)
        )

    def _stop(self, event: Any, path: KeyPath, message: str) -> None:
        self._note(event, path, message)
        raise _StopReading


def _plain(text: str) -> Any:
    """A plain scalar by the core schema of YAML 1.2.2, section 10.3.2."""
    if _NULL.match(text):
        return None
    if _TRUE.match(text):
        return True
    if _FALSE.match(text):
        return False
    if _INT.match(text):
        return int(text)
    if _OCTAL.match(text):
        return int(text[2:], 8)
    if _HEXADECIMAL.match(text):
        return int(text[2:], 16)
    if _FLOAT.match(text):
        value = float(text)
        return value if abs(value) != float("inf") else text
    return text
