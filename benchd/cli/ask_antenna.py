"""Asking which antenna is meant, where a recipe wants one and somebody sits at the terminal."""

from __future__ import annotations

import re
import sys
from collections.abc import Callable, Mapping
from dataclasses import asdict
from typing import Any, TypeVar

from benchd.cli.screen import note, plain
from benchd.errors import BenchdError

T = TypeVar("T")
_PARAMETER = re.compile(r'parameter "(.+)"')
_ASKED_FOR = re.compile(
    r"has no default and must be given: an antenna(?: \((?P<about>.*)\))?, one of: (?P<known>.+)"
)


def with_antennas(arguments: dict[str, str], attempt: Callable[[dict[str, str]], T]) -> T:
    """What `attempt` gives for the arguments; antennas that it lacks are asked for.

    Only on a terminal: elsewhere the refusal stands, and names the antennas that there are.
    """
    while True:
        try:
            return attempt(arguments)
        except BenchdError as refusal:
            wanted = _wanted(getattr(refusal, "problems", None) or [])
            if not wanted or not (sys.stdin.isatty() and sys.stderr.isatty()):
                raise
            for name, (about, known) in wanted.items():
                arguments[name] = _answer(name, about, known)


def _wanted(problems: list[Any]) -> dict[str, tuple[str, list[str]]]:
    """Parameter -> what it is for, and the antennas that there are."""
    found = {}
    for problem in problems:
        said = problem if isinstance(problem, Mapping) else asdict(problem)
        name = _PARAMETER.fullmatch(str(said.get("file", "")))
        asked = _ASKED_FOR.fullmatch(str(said.get("message", "")))
        if name is not None and asked is not None:
            known = asked["known"].split(", ")
            found[name.group(1)] = (asked["about"] or "antenna", known)
    return found


def _answer(name: str, about: str, known: list[str]) -> str:
    """A name of the list, by itself or by its number."""
    note(plain(f"{name}, {about}: which one?"))
    for number, one in enumerate(known, 1):
        note(plain(f"  {number}  {one}"))
    while True:
        print("number or name: ", end="", file=sys.stderr, flush=True)
        line = sys.stdin.readline()
        if not line:
            raise BenchdError(f"no antenna was named for {name}.")
        text = line.strip()
        if text.isascii() and text.isdigit() and 1 <= int(text) <= len(known):
            return known[int(text) - 1]
        if text in known:
            return text
        note("That is none of them.")
