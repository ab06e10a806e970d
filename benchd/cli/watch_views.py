"""The two faces of `benchd watch`: bars on a terminal, lines in a pipe. Both on stderr."""

from __future__ import annotations

import sys
from collections.abc import Iterator
from contextlib import contextmanager
from datetime import UTC, tzinfo
from typing import IO

from rich import box
from rich.console import Console
from rich.panel import Panel
from rich.progress import BarColumn, Progress, TaskID, TextColumn
from rich.text import Text

from benchd.cli.follow import JobPicture, View
from benchd.cli.screen import Screen, cell, plain, screen_of
from benchd.cli.show import STATE_STYLES, format_hands, format_result_line, window_words
from benchd.report.wording import duration_words
from benchd.results import Result


@contextmanager
def view(stream: IO[str] | None = None, *, zone: tzinfo = UTC) -> Iterator[View]:
    """Bars where stderr is a terminal, lines elsewhere; times in the zone of the bench."""
    stream = stream if stream is not None else sys.stderr
    screen = screen_of(stream, zone)
    if not stream.isatty():
        yield LineView(stream, zone)
        return
    with BarView(stream, screen) as bars:
        yield bars


class LineView:
    """One line for each change of state or step."""

    def __init__(self, stream: IO[str], zone: tzinfo = UTC) -> None:
        self._stream = stream
        self._zone = zone
        self._last: dict[str, str] = {}

    def show(self, job: JobPicture) -> None:
        """The state, and the step while it runs."""
        line = f"{job.id}: {status(job, self._zone)}"
        if self._last.get(job.id) != line:
            self._last[job.id] = line
            self.say(line)

    def ask(self, job: JobPicture) -> None:
        """The request, set off by a mark on each line."""
        hands = job.hands or {}
        text = format_hands(hands, job.id, self._zone)
        for line in text.split("\n"):
            self.say(f">>> {line}")

    def result(self, job: JobPicture, result: Result) -> None:
        """The result on one line."""
        self.say(f"    {format_result_line(result)}")

    def say(self, text: str) -> None:
        """Any line."""
        print(plain(text), file=self._stream, flush=True)

    def shout(self, text: str) -> None:
        """A line with a mark that stands out in a log as well."""
        self.say(f"!!! {text}")


class BarView:
    """A bar for each job; results and requests scroll by above the bars."""

    def __init__(self, stream: IO[str], screen: Screen) -> None:
        self._console = Console(
            file=stream, no_color=not screen.colour, highlight=False, markup=False, emoji=False
        )
        self._progress = Progress(
            TextColumn("{task.fields[name]}", markup=False),
            BarColumn(bar_width=None, complete_style="cyan", finished_style="green"),
            TextColumn("{task.percentage:>3.0f} %", markup=False),
            TextColumn("{task.fields[status]}", markup=False),
            console=self._console,
            expand=True,
        )
        self._bars: dict[str, TaskID] = {}
        self._zone = screen.zone

    def __enter__(self) -> BarView:
        self._progress.start()
        return self

    def __exit__(self, *_: object) -> None:
        self._progress.stop()

    def show(self, job: JobPicture) -> None:
        """Move the job's bar."""
        if job.id not in self._bars:
            name = plain(f"{job.recipe}  {job.id}")
            self._bars[job.id] = self._progress.add_task("", total=1.0, name=name, status="")
        left = ""
        if job.state == "running" and job.left_s >= 1:
            left = f", about {duration_words(job.left_s)} left"
        self._progress.update(
            self._bars[job.id], completed=job.fraction, status=plain(status(job, self._zone) + left)
        )

    def ask(self, job: JobPicture) -> None:
        """A framed request, and the terminal's bell: the person may be at the box."""
        hands = job.hands or {}
        text = format_hands(hands, job.id, self._zone)
        self._console.print(
            Panel(Text(text, style="bold"), title="Your hands, please", box=box.HEAVY,
                  border_style="yellow", expand=False, padding=(1, 3))
        )  # fmt: skip
        self._console.bell()

    def result(self, job: JobPicture, result: Result) -> None:
        """The result on one line above the bars."""
        self._console.print(cell(f"  {format_result_line(result)}"))

    def say(self, text: str) -> None:
        """Any line above the bars."""
        self._console.print(cell(text, STATE_STYLES["needs-hands"]))

    def shout(self, text: str) -> None:
        """A line above the bars that nobody overlooks, and the terminal's bell."""
        self._console.print(cell(f"!!! {text}", "bold white on red"))
        self._console.bell()


def status(job: JobPicture, zone: tzinfo = UTC) -> str:
    """Where the job stands, in a few words."""
    if job.state == "running" and job.label:
        return f"step {job.step + 1} of {len(job.weights_s)}, {job.label}"
    if job.state == "waiting" and job.not_before and not job.message:
        return f"waiting: {window_words(job.not_before, zone)}"
    if job.state in ("failed", "missed", "waiting") and job.message:
        return f"{job.state}: {job.message}"
    if job.state == "done" and job.message not in ("", "done"):
        return job.message
    return job.state
