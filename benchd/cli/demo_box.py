"""`benchd demo --qualify`: is this bench good enough? Asked of a bad virtual box and of a good one.

Every recipe that qualifies a bench runs on both. What they ask a person to do is done by
`simulators.person`, a process of its own that sees no more of a job than a person would.
"""

from __future__ import annotations

import sys
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

from benchd.cli.client import Daemon
from benchd.cli.demo_bench import Child, virtual_bench
from benchd.cli.follow import JobPicture, View, follow
from benchd.cli.screen import cell, plain, render, say, screen_of, table
from benchd.cli.watch_views import view
from benchd.errors import BenchdError
from benchd.results import Result
from benchd.web.documents import decode_records

TIME_SCALE = "0.02"
"""Simulated seconds take a fiftieth of real ones: walking people and settling cost no patience."""

BOXES = (("bad-box", "A box that was put together carelessly"), ("good-box", "A careful one"))
COARSE = {"points": "9"}
RECIPES: tuple[tuple[str, str, dict[str, str]], ...] = (
    ("coupler", "How far can the coupler be trusted?", {"points": "31"}),
    ("repeatability", "What does every joint add?", COARSE | {"repeats": "5"}),
    ("grounding", "Does it matter how cables pass the wall?", COARSE | {"rounds": "2"}),
    ("leakage", "What comes out, and what comes in?", COARSE | {"listen_for": "0.3 s"}),
    ("stillness", "Do people disturb it?", COARSE | {"repeats": "5"}),
    (
        "reflectivity",
        "From where on is the box usable?",
        {"points": "15", "places": "7", "step": "26 mm"},
    ),
)


class Brief:
    """A view without requests and single results: a person that is simulated answers them."""

    def __init__(self, inner: View, is_terminal: bool) -> None:
        self._inner, self._is_terminal = inner, is_terminal
        self._told: set[str] = set()

    def show(self, job: JobPicture) -> None:
        """A bar on a terminal; else a line where a job has ended."""
        if self._is_terminal:
            self._inner.show(job)
        elif job.ended and job.id not in self._told:
            self._told.add(job.id)
            self._inner.say(f"{job.recipe}: {job.state}")

    def ask(self, job: JobPicture) -> None:
        """Left to the simulated person."""

    def result(self, job: JobPicture, result: Result) -> None:
        """Left out: the verdict is what counts here."""

    def say(self, text: str) -> None:
        """Any line."""
        self._inner.say(text)

    def shout(self, text: str) -> None:
        """What must not be overlooked."""
        self._inner.shout(text)


def qualify(out: Path) -> None:
    """Run every qualification on both boxes and print the verdicts. Raises BenchdError."""
    for box, title in BOXES:
        say(f"\n{title} (virtual bench {box})\n")
        folder = out / box
        folder.mkdir(parents=True, exist_ok=True)
        with _attended(folder, box) as client:
            ids = [
                client.post("/api/jobs", {"recipe": recipe, "arguments": arguments})["id"]
                for recipe, _, arguments in RECIPES
            ]
            with view(zone=client.zone) as live:
                ended = follow(client, ids, Brief(live, sys.stderr.isatty()))
            _show_verdicts(client, ended)
    say("\nEach verdict's threshold and its reason stand beside it in benchd/reduce/qualify.")


@contextmanager
def _attended(out: Path, box: str) -> Iterator[Daemon]:
    """The virtual bench, the daemon, and somebody who does what is asked."""
    with virtual_bench(out, box, "--time-scale", TIME_SCALE) as up:
        control = f"{up.control['host']}:{up.control['port']}"
        person = Child(
            "simulated person",
            [
                *(sys.executable, "-m", "simulators.person"),
                *("--control", control, "--daemon", up.said["http"]),
            ],
            out / "person.log",
        )
        try:
            person.ready()
            yield up.client
        finally:
            person.stop()


_ANSWERS = {1.0: ("yes", "green"), 0.0: ("no", "red")}


def _show_verdicts(client: Daemon, ended: list[JobPicture]) -> None:
    """One row for each question. Raises BenchdError where a recipe did not come to its end."""
    questions = {recipe: question for recipe, question, _ in RECIPES}
    shown = table("Question", "Good enough", "In words")
    failed = []
    for job in ended:
        verdict = next(
            (
                record.result
                for record in decode_records(client.get("/api/results", job=job.id, limit=1000))
                if record.result.quantity.endswith("_verdict")
            ),
            None,
        )
        if verdict is None:
            failed.append(f"{job.recipe}: {job.state}: {job.message}")
            continue
        answer = _ANSWERS.get(verdict.value, ("cannot tell", "yellow"))
        shown.add_row(cell(questions[job.recipe]), cell(*answer), cell(plain(verdict.note)))
    say("\n" + render(shown, screen_of(sys.stdout)))
    if failed:
        raise BenchdError("; ".join(failed))
