"""Where output goes and how wide and colourful it may be.

Results go to stdout, progress and errors to stderr. Colour only on a terminal, and never where
NO_COLOR is set (no-color.org) or the terminal is a dumb one.

The library that draws is imported by whoever draws: `--help` need not wait for it.
"""

from __future__ import annotations

import io
import os
import sys
from collections.abc import Mapping
from dataclasses import dataclass, replace
from datetime import UTC, tzinfo
from typing import IO, TYPE_CHECKING, Any

from benchd.errors import BenchdError

if TYPE_CHECKING:
    from rich.console import RenderableType
    from rich.table import Table
    from rich.text import Text

WIDTH_OF_A_FILE = 160  # a pipe or a file has no width; tables are seldom wider than this


@dataclass(frozen=True, slots=True)
class Screen:
    """What text is made for.

    wrap: break sentences at the width; False for files and pipes, whose readers search in lines.
    zone: time zone of the bench, in which times are shown.
    """

    width: int = WIDTH_OF_A_FILE
    colour: bool = False
    wrap: bool = False
    zone: tzinfo = UTC


def screen_of(stream: IO[str], zone: tzinfo = UTC) -> Screen:
    """The screen behind a stream, for a bench in that time zone."""
    if not stream.isatty():
        return Screen(zone=zone)
    from rich.console import Console

    colour = not os.environ.get("NO_COLOR") and os.environ.get("TERM", "") not in ("", "dumb")
    return Screen(Console(file=stream).width, colour, wrap=True, zone=zone)


def render(item: RenderableType, screen: Screen) -> str:
    """Any rich item as text, without trailing blanks."""
    from rich.console import Console

    out = io.StringIO()
    console = Console(
        file=out,
        width=screen.width,
        force_terminal=screen.colour,
        color_system="standard" if screen.colour else None,
        highlight=False,
        markup=False,
        emoji=False,
        legacy_windows=False,
    )
    console.print(item)
    return "\n".join(line.rstrip() for line in out.getvalue().rstrip("\n").split("\n"))


def table(*headings: str) -> Table:
    """An empty table in the one style that all commands use."""
    from rich import box
    from rich.table import Table

    made = Table(box=box.SIMPLE_HEAD, pad_edge=False, show_edge=False, header_style="bold")
    for heading in headings:
        made.add_column(heading, overflow="fold")
    return made


def cell(text: str, style: str = "") -> Text:
    """A table cell with its text as it stands: no markup is read from it."""
    from rich.text import Text

    return Text(plain(text), style=style)


def plain(text: str) -> str:
    """Text from elsewhere without control characters that could move a terminal's cursor."""
    return "".join(c if c.isprintable() or c == "\n" else "?" for c in text)


def say(text: str) -> None:
    """Print to stdout."""
    print(text, file=sys.stdout)


def note(text: str) -> None:
    """Print to stderr."""
    print(text, file=sys.stderr)


def fitted(text: str, stream: IO[str]) -> str:
    """Text from elsewhere, broken between words where the stream is a terminal.

    A terminal breaks long lines in the middle of a word. Lines for a pipe stay whole.
    """
    screen = screen_of(stream)
    return render(cell(text), screen) if screen.wrap else plain(text)


def failure_words(error: Mapping[str, Any] | None) -> str:
    """What ended a job, with the instrument or the step that it happened at; "" for no error."""
    message = str((error or {}).get("message") or "")
    where = str((error or {}).get("where") or "")
    # A fault of benchd itself names the job, which stands beside it already.
    named = where and where not in message and not where.startswith("job-")
    return f"{where}: {message}" if message and named else message


def print_error(error: BenchdError) -> None:
    """Print an expected error: what failed, then what to do."""
    note(format_error(error.as_dict(), screen_of(sys.stderr)))


def format_error(error: dict[str, Any], screen: Screen) -> str:
    """An error in its JSON form: where and message, then the advice, on its own line if long."""
    from rich.text import Text

    where = f"{error['where']}: " if error.get("where") else ""
    message, advice = plain(f"{where}{error['message']}"), plain(str(error.get("advice") or ""))
    text = Text(message, style="red")
    if advice:
        one_line = "\n" not in message and len(message) + 1 + len(advice) <= screen.width
        stop = "." if one_line and not message.endswith((".", "!", "?", ":")) else ""
        text.append(stop, style="red").append(" " if one_line else "\n")
        text.append(advice, style="default")
    if not screen.wrap:
        screen = replace(screen, width=max(screen.width, len(text.plain)))
    return render(text, screen)
