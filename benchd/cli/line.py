"""Commands about the order of the queue: rehearse and move."""

from __future__ import annotations

import sys
from datetime import datetime, tzinfo
from typing import Annotated, Any

import typer

from benchd.cli.as_json import to_text
from benchd.cli.client import DEFAULT_URL
from benchd.cli.connection import connect
from benchd.cli.options import AsJson, DaemonUrl, JobId, whole
from benchd.cli.screen import Screen, cell, plain, render, say, screen_of, table
from benchd.errors import UserError
from benchd.rounding import about_words


def rehearse(json: AsJson = False, daemon: DaemonUrl = DEFAULT_URL) -> None:
    """Tell when each waiting job would begin and end, and which would miss its window.

    By expected times; the time that a person takes is not counted.
    """
    with connect(daemon) as client:
        line = client.get("/api/queue")
        say(to_text(line, indent=2) if json else _format(line, screen_of(sys.stdout, client.zone)))


def move(
    job: JobId,
    before: Annotated[
        str | None,
        typer.Option("--before", metavar="JOB", help="Run it right before this waiting job."),
    ] = None,
    first: Annotated[bool, typer.Option("--first", help="Run it before all others.")] = False,
    last: Annotated[bool, typer.Option("--last", help="Run it after all others.")] = False,
    priority: Annotated[
        int | None,
        typer.Option(
            "--priority", metavar="N", parser=whole(-100, 100),
            help="Give it this priority; jobs with a higher number run first.",
        ),
    ] = None,
    json: AsJson = False,
    daemon: DaemonUrl = DEFAULT_URL,
) -> None:  # fmt: skip
    """Put a waiting job at another place in the queue.

    It gets the priority that leads it there; jobs ahead of it get a higher one if they need it.
    """
    places = [("place", "first")] * first + [("place", "last")] * last
    asked: list[tuple[str, Any]] = list(places)
    asked += [("before", before)] if before is not None else []
    asked += [("priority", priority)] if priority is not None else []
    if len(asked) != 1:
        raise UserError(
            "where to?",
            where="move",
            advice="Give one of --before JOB, --first, --last, --priority N.",
        )
    with connect(daemon) as client:
        line = client.post(f"/api/jobs/{job}/move", dict(asked))
        say(to_text(line, indent=2) if json else _format(line, screen_of(sys.stdout, client.zone)))


def _format(line: dict[str, Any], screen: Screen) -> str:
    words = f"{_under_way(line)}{plain(line['words'])}"
    if not line["jobs"]:
        return words
    made = table("Job", "Recipe", "Priority", "Begins", "Ends", "Note")
    for one in line["jobs"]:
        made.add_row(
            cell(one["id"]),
            cell(one["job"]["recipe"]),
            cell(str(one["job"]["priority"])),
            cell(_clock(one["starts_at"], screen.zone)),
            cell(_clock(one["ends_at"], screen.zone)),
            cell(_note(one), "red" if one["outcome"] == "missed" else ""),
        )
    return f"{render(made, screen)}\n{words}"


def _under_way(line: dict[str, Any]) -> str:
    """A line for the job that is under way, which waits no more and so has no row."""
    if not line.get("running"):
        return ""
    left = line.get("running_left_s")
    about = "" if left is None else f", about {about_words(left)} left without your own time"
    return f"Ahead of them {line['running']} is under way{about}.\n"


def _note(one: dict[str, Any]) -> str:
    if one["outcome"] == "missed":
        return f"would miss its window: {one['why']}"
    if one["hands"]:
        return (
            "asks for your hands once"
            if one["hands"] == 1
            else (f"asks for your hands {one['hands']} times")
        )
    return ""


def _clock(moment: str | None, zone: tzinfo) -> str:
    if moment is None:
        return "-"
    return f"{datetime.fromisoformat(moment).astimezone(zone):%Y-%m-%d %H:%M}"
