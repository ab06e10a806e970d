"""Each message that the troubleshooting page quotes is one that the program really says."""

from __future__ import annotations

import ast
import re
from collections.abc import Iterator
from functools import cache

import pytest

from tests.docs.test_readme import REPOSITORY

PAGE = (REPOSITORY / "docs" / "troubleshooting.md").read_text(encoding="utf-8")
ROOMS = ("benchd", "drivers")


def _quoted() -> list[str]:
    """The first cell of each row that quotes a message."""
    rows = re.findall(r"^\| (`.+?`) \|", PAGE, re.MULTILINE)
    return [row.removeprefix("`").removesuffix("`") for row in rows]


@cache
def _said() -> str:
    """All text constants of the program; what an f-string fills in is a line break here."""
    found: list[str] = []
    for room in ROOMS:
        for path in sorted((REPOSITORY / room).rglob("*.py")):
            for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
                found.append("".join(_text(node)))
    return "\n".join(one for one in found if one)


def _text(node: ast.AST) -> Iterator[str]:
    if isinstance(node, ast.Constant) and isinstance(node.value, str):
        yield node.value
    if isinstance(node, ast.JoinedStr):
        for part in node.values:
            yield part.value if isinstance(part, ast.Constant) else "\n"


@pytest.mark.parametrize("message", _quoted())
def test_every_message_of_the_page_is_said_by_the_program(message: str) -> None:
    for piece in message.split("…"):
        assert piece.strip() in _said()


def test_the_page_quotes_messages() -> None:
    assert len(_quoted()) > 15


def test_its_flags_are_those_that_results_carry() -> None:
    flags = set(re.findall(r"^\| flag `([\w-]+)`(?: or `([\w-]+)`)?", PAGE, re.MULTILINE))
    told = {flag for pair in flags for flag in pair if flag}
    assert told
    assert {flag for flag in told if f'"{flag}"' not in _sources()} == set()


@cache
def _sources() -> str:
    return "\n".join(p.read_text() for p in sorted((REPOSITORY / "benchd").rglob("*.py")))
