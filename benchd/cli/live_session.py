"""What `benchd live` does: sweep after sweep on the terminal, while somebody adjusts an antenna.

RF is on while this runs. It says "here" every two seconds by a thread of its own; if it is killed,
stopped or cut off, the daemon hears nothing and switches RF off.
"""

from __future__ import annotations

import queue
import signal
import sys
import threading
from collections.abc import Callable, Iterator
from contextlib import contextmanager, suppress
from dataclasses import dataclass
from types import FrameType
from typing import Any

import typer

from benchd.cli.ask_antenna import with_antennas
from benchd.cli.client import Daemon, StreamEvent
from benchd.cli.connection import connect
from benchd.cli.keys import pressed_keys
from benchd.cli.live_view import LiveView, line_of, live_view
from benchd.cli.rf import RF_NOT_VERIFIED, warn_of_rf
from benchd.cli.screen import note, plain, say
from benchd.errors import BenchdError, OrderRefused
from benchd.web.documents import to_text

HERE_EVERY_S = 2.0
LOOK_S = 0.1


def look_live(
    what: str, arguments: dict[str, str], *, yes: bool, as_json: bool, daemon: str
) -> None:
    """Look at that antenna or route until it ends or the person leaves.

    Raises BenchdError for what is refused, typer.Exit with 1 if an error ended it and with 3 if RF
    is not verified off.
    """
    with connect(daemon) as client:
        plan = with_antennas(
            arguments,
            lambda given: client.post("/api/live/prepare", {"what": what, "arguments": given}),
        )
        note(plain(str(plan["text"])).rstrip("\n"))
        if not yes:
            _require_yes()
        seen = client.get("/api/live/tick")["tick"]
        look = client.post("/api/live", {"worksheet": plan["hash"], "seen": seen})
        with _looking(client, daemon, str(look["viewer"]), int(look["tick"])) as session:
            ending = _show(session, as_json)
        ending = ending or (client.get("/api/live").get("ending") or {})
        _tell(ending)
        if warn_of_rf(client):
            raise typer.Exit(RF_NOT_VERIFIED)
    if ending.get("reason") == "failed":
        raise typer.Exit(1)


def _require_yes() -> None:
    """Raise OrderRefused unless a person at the terminal says that RF may go on."""
    if not (sys.stdin.isatty() and sys.stderr.isatty()):
        raise OrderRefused(
            "RF goes on only where somebody has read the worksheet above",
            advice="Answer at a terminal, or give --yes.",
        )
    print("RF goes on now and stays on while you look. Go on? [y/N] ", end="", file=sys.stderr)
    sys.stderr.flush()
    if sys.stdin.readline().strip().lower() not in ("y", "yes"):
        raise OrderRefused("nothing was switched on")


def _tell(ending: dict[str, Any]) -> None:
    words = f"The live look has ended: {ending.get('message') or 'you have left'}."
    where, advice = str(ending.get("where") or ""), str(ending.get("advice") or "")
    note(plain(" ".join(part for part in (words, where and f"({where})", advice) if part)))


@dataclass
class _Session:
    """One viewer's look: what comes in, and how to order something (path and body)."""

    news: queue.Queue[StreamEvent | BenchdError | str]
    order: Callable[..., Any]


class _Newest:
    """The newest tick that the daemon told, by whichever way it came. Safe from any thread."""

    def __init__(self, tick: int) -> None:
        self.tick = tick
        self._lock = threading.Lock()

    def told(self, document: Any) -> None:
        """Something that the daemon told, with a tick or without."""
        if isinstance(document, dict) and isinstance(document.get("tick"), int):
            with self._lock:
                self.tick = max(self.tick, document["tick"])


@contextmanager
def _looking(client: Daemon, url: str, viewer: str, tick: int) -> Iterator[_Session]:
    """Look as this viewer: "here" is said and the stream is read until this is left, however.

    tick: that the daemon told with the viewer's id. The newest goes with each "here".
    A signal that ends the program leaves the look first.
    """
    over = threading.Event()
    news: queue.Queue[StreamEvent | BenchdError | str] = queue.Queue()
    newest = _Newest(tick)

    def ping() -> None:
        with connect(url) as mine:
            while not over.wait(HERE_EVERY_S):
                try:
                    said = mine.post("/api/live/here", {"viewer": viewer, "seen": newest.tick})
                    newest.told(said)
                except BenchdError as error:
                    news.put(error)
                    return

    def read() -> None:
        with connect(url) as mine:
            try:
                for event in mine.live():
                    newest.told(event.data)
                    news.put(event)
                    if over.is_set():
                        return
            except BenchdError as error:
                news.put(error)
            finally:
                # However the reading has ended: who sees nothing must not say "here".
                news.put(BenchdError("benchd has ended the stream", advice="Has it been stopped?"))

    threads = [threading.Thread(target=one, name=one.__name__, daemon=True) for one in (ping, read)]
    with _ended_by_signals():
        try:
            for thread in threads:
                thread.start()
            yield _Session(news, client.post)
        finally:
            over.set()
            with suppress(BenchdError):
                client.delete("/api/live", viewer=viewer)


class _Ended(Exception):
    """A signal asks to end."""


@contextmanager
def _ended_by_signals() -> Iterator[None]:
    """Raise _Ended at the main thread's next step when the terminal is closed, or on SIGTERM."""

    def end(number: int, frame: FrameType | None) -> None:
        raise _Ended

    numbers = (signal.SIGTERM, signal.SIGHUP)
    before = [signal.signal(number, end) for number in numbers]
    try:
        yield
    finally:
        for number, handler in zip(numbers, before, strict=True):
            signal.signal(number, handler)


def _show(session: _Session, as_json: bool) -> dict[str, Any]:
    """Show what comes until it ends or the person leaves; why it ended, {} where they left."""
    with suppress(KeyboardInterrupt, _Ended):
        if as_json or not sys.stdout.isatty():
            return _lines(session, as_json)
        with live_view(sys.stdout) as view, pressed_keys(sys.stdin, session.news.put):
            return _drawn(session, view)
    return {}


def _next(session: _Session) -> StreamEvent | str | None:
    """The next news, None where there is none yet. Raises BenchdError."""
    try:
        found = session.news.get(timeout=LOOK_S)
    except queue.Empty:
        return None
    if isinstance(found, BenchdError):
        raise found
    return found


def _lines(session: _Session, as_json: bool) -> dict[str, Any]:
    """Everything as lines on stdout: for programs and pipes."""
    look: dict[str, Any] = {}
    while True:
        told = _next(session)
        if not isinstance(told, StreamEvent) or told.kind == "begin":
            continue
        if as_json:
            say(to_text({"kind": told.kind, **told.data}))
        elif told.kind == "sweep":
            say(plain(line_of(look, told.data)))
        sys.stdout.flush()
        if told.kind == "look":
            look = told.data
        elif told.kind == "ended":
            return dict(told.data.get("ending") or {})


def _drawn(session: _Session, view: LiveView) -> dict[str, Any]:
    """The picture on a terminal, and what the keys order."""
    while True:
        told = _next(session)
        if isinstance(told, str):
            if told == "q":
                return {}
            _ordered(session, view, told)
        elif isinstance(told, StreamEvent):
            if told.kind == "look":
                view.look(told.data)
            elif told.kind == "sweep":
                view.sweep(told.data)
            elif told.kind == "kept":
                view.say(f"kept as {told.data['capture']} (job {told.data['job']})")
            elif told.kind == "ended":
                return dict(told.data.get("ending") or {})
        view.draw()


def _ordered(session: _Session, view: LiveView, key: str) -> None:
    """Carry out what a key asks for; a refusal is shown and ends nothing."""
    try:
        if key == "k":
            view.say("keeping ...")
            session.order("/api/live/keep", {"sweep": view.number})
        elif key == "m":
            session.order("/api/live/renew")
            view.say("the whole time again")
    except BenchdError as error:
        view.say(str(error))
