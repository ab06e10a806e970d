"""`benchd trim`: an antenna trimmed by sight, from the terminal beside the box."""

from __future__ import annotations

import queue
import re
import sys
import threading
import time
from collections import deque
from dataclasses import dataclass, field
from typing import Annotated, Any

import typer

from benchd.cli.client import DEFAULT_URL, Daemon, DaemonRefused
from benchd.cli.connection import connect
from benchd.cli.enter_answers import TOO_SOON_S, discard_typed, typed_lines
from benchd.cli.options import DaemonUrl, Priority, whole
from benchd.cli.rf import RF_NOT_VERIFIED, RF_SHOUT, warn_of_rf
from benchd.cli.screen import fitted, note, plain, say, screen_of
from benchd.cli.trim_words import end_lines, look_lines, request_lines
from benchd.errors import BenchdError, UserError
from benchd.jobstates import ENDED
from benchd.units import Kind, UnitError, parse

CORRECTION = re.compile(r"look\s+(?P<look>[0-9]{1,3})\s*[:=]?\s+(?P<length>\S.*)")

LOOKS = Annotated[
    int,
    typer.Option("--looks", metavar="N", parser=whole(1, 60), help="Most looks of the session."),
]  # fmt: skip


def trim(
    antenna: Annotated[
        str | None,
        typer.Argument(metavar="[ANTENNA]", help="The antenna, as the bench file names it."),
    ] = None,
    job: Annotated[
        str | None, typer.Option("--job", metavar="JOB", help="Go on with a session that stands.")
    ] = None,
    lid: Annotated[
        bool, typer.Option("--lid", help="Closing the lid starts a look too.")
    ] = False,
    looks: LOOKS = 20,
    design_frequency: Annotated[
        str | None,
        typer.Option(
            "--design-frequency", metavar="F",
            help='Trim to this: "1.7 GHz". Without it, to the antenna\'s own.',
        ),
    ] = None,
    span: Annotated[
        str | None, typer.Option("--span", metavar="F", help='Width of each look: "300 MHz".')
    ] = None,
    level: Annotated[
        str, typer.Option("--level", metavar="L", help="Level that the source is set to.")
    ] = "-10 dBm",
    route: Annotated[
        str | None, typer.Option("--route", metavar="NAME", help="Reflection route to use.")
    ] = None,
    position: Annotated[
        str | None, typer.Option("--position", metavar="NAME", help="Where the antenna is on it.")
    ] = None,
    max_age: Annotated[
        str,
        typer.Option(
            "--max-age", metavar="T",
            help="Open and short are measured first if the stored ones are older than this.",
        ),
    ] = "12 h",
    patience: Annotated[
        str,
        typer.Option(
            "--patience", metavar="T",
            help="How long the bench is kept for you between looks before waiting jobs run.",
        ),
    ] = "1 h",
    dip: Annotated[
        str,
        typer.Option(
            "--dip", metavar="WHICH",
            help="Of several resonances, trim the deepest, or the nearest to the design frequency.",
        ),
    ] = "deepest",
    priority: Priority = 0,
    daemon: DaemonUrl = DEFAULT_URL,
) -> None:  # fmt: skip
    """Trim an antenna by sight: look, see where its dip is and how much is left, cut, look again.

    RF comes on for each look only, and is verified off before you are asked to cut.
    """
    if (antenna is None) == (job is None):
        raise UserError(
            "Expected the name of an antenna, or --job with the id of a session.",
            advice="benchd antenna list shows the antennas, benchd jobs the sessions.",
        )
    with connect(daemon) as client:
        if job is None:
            body = {
                "antenna": antenna, "looks": looks, "start": "lid" if lid else "button",
                "design_frequency": design_frequency, "span": span, "level": level,
                "route": route, "position": position, "max_age": max_age,
                "patience": patience, "dip": dip, "priority": priority,
            }  # fmt: skip
            job = str(client.post("/api/trim", body)["id"])
            session = client.get(f"/api/jobs/{job}/trim")
            for caution in session["cautions"]:
                note(fitted(f"! {caution}", sys.stderr))
        state = _Session(client, job).run(daemon)
        if warn_of_rf(client):
            raise typer.Exit(RF_NOT_VERIFIED)
    if state in ENDED and state != "done":
        raise typer.Exit(1)


@dataclass
class _Session:
    """One session at a terminal: what was shown, and what may be typed now."""

    client: Daemon
    job: str
    shown: int = 0
    asked: int | None = None
    asked_at_s: float = 0.0
    lines: deque[str] = field(default_factory=deque)
    news: queue.Queue[tuple[str, Any]] = field(default_factory=queue.Queue)
    typing: bool = True

    def run(self, url: str) -> str:
        """Show and answer until the session ends or nobody types any more; returns its state."""
        self.is_terminal = sys.stdin.isatty()
        self.width = screen_of(sys.stdout).width if sys.stdout.isatty() else 80
        threading.Thread(target=self._events, args=(url,), name="events", daemon=True).start()
        threading.Thread(target=self._typed, name="typed", daemon=True).start()
        while True:
            kind, value = self.news.get()
            if kind == "line":
                self._line(value)
            elif kind == "trouble":
                raise value
            elif kind == "shout":
                note(plain(f"!!! {RF_SHOUT} {value}"))
            state = self._refresh()
            if state in ENDED:
                return state
            if not self.typing and not self.lines and self._nobody_can_answer():
                say(
                    plain(
                        f"The session stands, RF is off. Go on with: benchd trim --job {self.job}"
                    )
                )
                return state

    # -- what comes in -----------------------------------------------------------------------

    def _events(self, url: str) -> None:
        try:
            with connect(url) as listener:
                for event in listener.events():
                    data = event.data or {}
                    if event.kind == "begin" or data.get("job") == self.job:
                        if event.kind != "progress":
                            self.news.put(("event", event.kind))
                    elif event.kind == "rf" and not data.get("off"):
                        self.news.put(("shout", data.get("message", "")))
        except BenchdError as error:
            self.news.put(("trouble", error))

    def _typed(self) -> None:
        for line in typed_lines(sys.stdin):
            self.news.put(("line", line))
        self.news.put(("line", None))

    # -- what is shown -----------------------------------------------------------------------

    def _refresh(self) -> str:
        session = self.client.get(f"/api/jobs/{self.job}/trim")
        for look in session["looks"][self.shown :]:
            if not look["results"]:
                break  # it is being reduced
            self.shown = look["number"]
            say("")
            for line in look_lines(session, look, self.width):
                say(fitted(line, sys.stdout))
        step = (session["hands"] or {}).get("step")
        if step != self.asked:
            self.asked = step
            if step is not None:
                self._ask(session)
        state = str(session["state"])
        if state in ENDED:
            for line in end_lines(session):
                say(fitted(line, sys.stdout))
            return state
        self._answer_typed(session)
        return state

    def _ask(self, session: dict[str, Any]) -> None:
        say("")
        for line in request_lines(session):
            say(fitted(line, sys.stdout))
        sys.stdout.flush()
        if self.is_terminal:
            # What was typed before the request was shown answers nothing.
            if self.lines:
                say(plain(f"Not taken, as it came before this was asked: {', '.join(self.lines)}."))
            discard_typed(sys.stdin)
            self.lines.clear()
        self.asked_at_s = time.monotonic()

    def _nobody_can_answer(self) -> bool:
        """Whether only a person at this terminal could go on, and none is there."""
        session = self.client.get(f"/api/jobs/{self.job}/trim")
        return session["hands"] is not None and session["hands"].get("look") != "lid"

    # -- what is typed -----------------------------------------------------------------------

    def _line(self, line: str | None) -> None:
        if line is None:
            self.typing = False
            return
        if self.is_terminal and self.asked is None and line.strip() not in ("stop", "withdraw"):
            say("Nothing is asked now, and RF may be on: wait for the look.")
            return
        self.lines.append(line.strip())

    def _answer_typed(self, session: dict[str, Any]) -> None:
        """Act on the oldest typed line, if it may be acted on now."""
        if not self.lines:
            return
        word = self.lines[0]
        correction = CORRECTION.fullmatch(word)
        if word in ("stop", "withdraw"):
            self.lines.popleft()
            self._post(word)
        elif correction is not None:
            self.lines.popleft()
            self._correct(int(correction["look"]), correction["length"], session)
        elif self.asked is not None:
            self.lines.popleft()
            if self.is_terminal and time.monotonic() - self.asked_at_s < TOO_SOON_S:
                say("That came too soon to be an answer. Type it once hands and tool are out.")
            else:
                self._answer(word, session["hands"])

    def _correct(self, number: int, length: str, session: dict[str, Any]) -> None:
        """Another length was taken off before a look than was typed; shows the newest look anew."""
        try:
            removed_mm = parse(length, Kind.LENGTH) * 1e3
        except UnitError as error:
            say(plain(f"Not corrected: {error}. Type look 2: 0.5mm."))
            return
        if self._post("correct", {"look": number, "removed_mm": removed_mm}):
            say(f"Look {number}: {removed_mm:g} mm counts now. The newest look says:")
            self.shown = min(self.shown, len(session["looks"]) - 1)

    def _answer(self, word: str, hands: dict[str, Any]) -> None:
        step, look = self.asked, hands.get("look")
        if not look:
            if word:
                say("Not answered: press Enter alone once it is done.")
                return
            self._post("ready", step=step)
            return
        removed_mm = None
        if word:
            try:
                removed_mm = parse(word, Kind.LENGTH) * 1e3
            except UnitError as error:
                say(plain(f"Not answered: {error}. Type 1.5mm, Enter, stop or withdraw."))
                return
        if look == "lid" and removed_mm is not None:
            if self._post("removed", {"removed_mm": removed_mm, "step": step}):
                say("Noted. Close the lid for the look, or press Enter.")
            return
        if self._post("look", {"step": step, "until": hands["until"], "removed_mm": removed_mm}):
            say("Looking: RF is on.")
            sys.stdout.flush()

    def _post(self, verb: str, body: Any = None, **parameters: Any) -> bool:
        try:
            self.client.post(f"/api/jobs/{self.job}/{verb}", body, **parameters)
        except DaemonRefused as refusal:
            say(plain(f"Refused: {refusal}"))
            return False
        self.news.put(("event", verb))
        return True
