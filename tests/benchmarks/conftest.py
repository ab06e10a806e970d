"""The table at the end of a run: what each benchmark has measured, and what it should.

A benchmark tells its numbers before it compares them, so that they stand in the table whether they
are good enough or not.
"""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import pytest

HEADINGS = ("benchmark", "aim", "measured")

Told = Callable[[str, str, str], None]
"""A line of the table: what is measured, what was found, and what it should be, all in words."""

_LINES = pytest.StashKey[list[tuple[str, str, str]]]()


@pytest.fixture
def told(request: pytest.FixtureRequest) -> Told:
    """Enters a line into the table that is printed when all benchmarks have run."""
    lines = request.config.stash.setdefault(_LINES, [])

    def tell(name: str, measured: str, aim: str) -> None:
        lines.append((name, aim, measured))

    return tell


def pytest_terminal_summary(terminalreporter: Any, config: pytest.Config) -> None:
    """All lines, one below the other; what was measured comes last, since it is longest."""
    lines = config.stash.get(_LINES, [])
    if not lines:
        return
    table = [HEADINGS, *lines]
    widths = [max(len(line[column]) for line in table) for column in range(len(HEADINGS) - 1)]
    terminalreporter.section("benchmarks")
    for line in table:
        padded = [text.ljust(width) for text, width in zip(line, widths, strict=False)]
        terminalreporter.write_line("  ".join([*padded, line[-1]]).rstrip())
