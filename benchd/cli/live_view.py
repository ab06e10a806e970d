"""The live look on a terminal: the return loss hangs down from the top, deepest where the match is
best, as icicles do; below it, how much the last sweeps differ."""

from __future__ import annotations

import time
from collections.abc import Iterator, Mapping
from contextlib import contextmanager
from typing import IO, Any

import numpy as np
from rich.console import Console, Group
from rich.live import Live
from rich.text import Text

from benchd.cli.screen import cell, plain
from benchd.rounding import duration_words
from benchd.traces import FloatArray
from benchd.units import show

ROWS = 16
MARGIN = 8
WIDEST = 120
LEAST_FULL_DB = 20.0
MOVES_FULL_DB = 3.0
_BLOCKS = " ▁▂▃▄▅▆▇█"
_WANTED = "┊"


@contextmanager
def live_view(stream: IO[str]) -> Iterator[LiveView]:
    """A picture that is drawn anew in its place, while this is open."""
    console = Console(file=stream, highlight=False, markup=False, emoji=False)
    with Live(console=console, auto_refresh=False, transient=False) as drawn:
        yield LiveView(console, drawn)


class LiveView:
    """What is known of the look, and its picture.

    number: of the sweep that is shown; None before the first.
    """

    def __init__(self, console: Console, drawn: Live) -> None:
        self._console = console
        self._drawn = drawn
        self._look: Mapping[str, Any] = {}
        self._sweep: Mapping[str, Any] | None = None
        self._heard_at = time.monotonic()
        self._words = ""

    @property
    def number(self) -> int | None:
        """The sweep that is shown."""
        return None if self._sweep is None else int(self._sweep["number"])

    def look(self, document: Mapping[str, Any]) -> None:
        """The look as it is now."""
        self._look, self._heard_at = document, time.monotonic()

    def sweep(self, document: Mapping[str, Any]) -> None:
        """The newest sweep."""
        self._sweep = document

    def say(self, text: str) -> None:
        """A line below the picture, until the next."""
        self._words = text

    def draw(self) -> None:
        """Draw everything anew."""
        lines = [cell(self._state(), "bold")]
        if self._sweep is not None:
            width = max(20, min(WIDEST, self._console.width - MARGIN))
            height = max(4, min(ROWS, self._console.height - 9))
            lines += picture(self._look, self._sweep, width, height)
            lines.append(cell(line_of(self._look, self._sweep)))
            if self._sweep["trouble"]:
                lines.append(cell(f"! {self._sweep['trouble']}", "bold"))
        lines.append(cell(f"k keep   m more time   q leave      {self._words}"))
        self._drawn.update(Group(*lines), refresh=True)

    def _state(self) -> str:
        if not self._look:
            return "RF is off; the live look is about to begin"
        left_s = max(0.0, self._look["left_s"] - (time.monotonic() - self._heard_at))
        viewers = int(self._look["viewers"])
        who = "one person looks" if viewers == 1 else f"{viewers} look"
        level = show(float(self._look["level_dbm"]), "dBm")
        on = "RF IS ON" if self._look["state"] == "on" else "RF goes on"
        return (
            f"{on}, {level}: {self._look['antenna']} on {self._look['route']}; "
            f"{duration_words(left_s)} left, {who}"
        )


def line_of(look: Mapping[str, Any], sweep: Mapping[str, Any]) -> str:
    """A sweep in one line: the dip, the wanted frequency, and how much the last sweeps differ."""
    if not look:
        return f"sweep {sweep['number']}"
    unit, grid = str(look["unit"]), np.asarray(look["frequency_hz"], dtype=np.float64)
    values = np.asarray(sweep["values"], dtype=np.float64)
    peak, wanted_hz = sweep["peak"], float(look["wanted_hz"])
    word = "deepest" if look["shown"] == "return-loss" else "highest"
    parts = [f"{word} {peak['value']:.1f} {unit} at {show(float(peak['frequency_hz']), 'Hz')}"]
    if grid[0] <= wanted_hz <= grid[-1]:
        here = float(np.interp(wanted_hz, grid, values))
        parts.append(f"{here:.1f} {unit} at {show(wanted_hz, 'Hz')}")
    if sweep["range_db"] is not None:
        moved = np.asarray(sweep["range_db"], dtype=np.float64)
        most = int(np.argmax(moved))
        parts.append(
            f"the last {sweep['sweeps']} differ by up to {moved[most]:.2f} dB "
            f"(at {show(float(grid[most]), 'Hz')})"
        )
    return "; ".join(parts)


def picture(
    look: Mapping[str, Any], sweep: Mapping[str, Any], width: int, height: int
) -> list[Text]:
    """The values hanging down, the frequencies, and the spread, as lines of `width` columns."""
    grid = np.asarray(look["frequency_hz"], dtype=np.float64)
    values = np.asarray(sweep["values"], dtype=np.float64)
    depth, top, bottom = _depths(look, values)
    columns = np.interp(np.linspace(grid[0], grid[-1], width), grid, depth)
    wanted_hz = float(look["wanted_hz"])
    share = (wanted_hz - grid[0]) / (grid[-1] - grid[0])
    wanted = round(share * (width - 1)) if 0.0 <= share <= 1.0 else -1
    lines = []
    for row in range(height):
        # Half a row can be filled, so the edge lies within a quarter of a row.
        filled = columns * height - row
        marks = np.where(filled >= 0.75, "█", np.where(filled >= 0.25, "▀", " "))
        if 0 <= wanted < width and marks[wanted] == " ":
            marks[wanted] = _WANTED
        lines.append(cell(f"{_label(top, bottom, row, height)} │{''.join(marks)}"))
    lines.append(cell(_frequencies(grid, wanted_hz, wanted, width)))
    if sweep["range_db"] is not None:
        moved = np.asarray(sweep["range_db"], dtype=np.float64)
        lines.append(cell(f" moves │{_strip(np.interp(_even(grid, width), grid, moved))}"))
    return lines


def _label(top: float, bottom: float, row: int, height: int) -> str:
    """The round value that lies within a row, five characters; blank where none does."""
    step = (bottom - top) / height
    every = 5.0 if abs(bottom - top) <= 30.0 else 10.0
    ends = sorted((top + step * row, top + step * (row + 1)))
    round_value = every * np.ceil(ends[0] / every)
    if step < 0.0:
        round_value = every * np.floor(ends[1] / every)
    inside = ends[0] <= round_value < ends[1] if step > 0.0 else ends[0] < round_value <= ends[1]
    return f"{round_value:5.0f}" if inside else " " * 5


def _depths(look: Mapping[str, Any], values: FloatArray) -> tuple[FloatArray, float, float]:
    """How far each value hangs down, 0 to 1, and what the upper and the lower edge stand for.

    A return loss hangs from 0 dB; a level hangs from its highest, so that less hangs deeper.
    """
    if look["shown"] == "return-loss":
        full = max(LEAST_FULL_DB, 10.0 * float(np.ceil(np.max(values) / 10.0)))
        return np.clip(values / full, 0.0, 1.0), 0.0, full
    top = 5.0 * float(np.ceil(np.max(values) / 5.0))
    full = max(LEAST_FULL_DB, 10.0 * float(np.ceil((top - np.min(values)) / 10.0)))
    return np.clip((top - values) / full, 0.0, 1.0), top, top - full


def _even(grid: FloatArray, width: int) -> FloatArray:
    found: FloatArray = np.linspace(grid[0], grid[-1], width)
    return found


def _strip(moved_db: FloatArray) -> str:
    """One character a column: how much the last sweeps differ there; full at 3 dB and more."""
    steps = np.ceil(np.clip(moved_db / MOVES_FULL_DB, 0.0, 1.0) * (len(_BLOCKS) - 1))
    return "".join(_BLOCKS[int(step)] for step in steps)


def _frequencies(grid: FloatArray, wanted_hz: float, wanted: int, width: int) -> str:
    """The first, the wanted and the last frequency below their columns."""
    line = [" "] * (7 + width)

    def put(at: int, text: str) -> None:
        start = max(0, min(at, len(line) - len(text)))
        line[start : start + len(text)] = text

    put(7, show(float(grid[0]), "Hz"))
    last = show(float(grid[-1]), "Hz")
    put(len(line) - len(last), last)
    if wanted >= 0:
        words = f"^ {show(wanted_hz, 'Hz')}"
        put(7 + wanted, words)
    return plain("".join(line))
