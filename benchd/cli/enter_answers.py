"""Enter answers a hands request, in `benchd watch` and `benchd queue --wait` at a terminal.

RF may go on after an answer, and hands may be in the box. So an Enter counts only for the request
that is shown at that moment: the answer names its step, what was typed before the request was
shown is thrown away, and so is what comes within a second of it, in which nobody can have done
anything by hand.
"""

from __future__ import annotations

import os
import select
import termios
import threading
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager, suppress
from dataclasses import dataclass
from queue import SimpleQueue
from typing import IO

from benchd.cli.client import Daemon, DaemonRefused
from benchd.cli.follow import JobPicture, View
from benchd.errors import BenchdError
from benchd.results import Result

TOO_SOON_S = 1.0
"""Common practice, no source: a second Enter of a hasty finger comes within 0.3 s."""

_BACKGROUND_S = 0.2


@dataclass(frozen=True, slots=True)
class _Standing:
    """A request that is shown. shown_at_s: on the clock of time.monotonic()."""

    job: str
    step: int
    shown_at_s: float


class EnterAnswers:
    """A view that shows what another view shows, and lets Enter answer the request that stands.

    connect: opens a connection of its own to the daemon, since the watcher's reads events.
    discard: throws away what was typed and not yet read.
    """

    def __init__(
        self,
        view: View,
        connect: Callable[[], Daemon],
        *,
        discard: Callable[[], None] = lambda: None,
        clock: Callable[[], float] = time.monotonic,
    ) -> None:
        self._view = view
        self._connect = connect
        self._discard = discard
        self._clock = clock
        self._lock = threading.Lock()
        self._standing: _Standing | None = None

    # --- what is shown ------------------------------------------------------------------

    def show(self, job: JobPicture) -> None:
        """As the other view; a request that no longer stands can no longer be answered."""
        with self._lock:
            standing = self._standing
            if standing is not None and standing.job == job.id and standing.step != _step(job):
                self._standing = None
        self._view.show(job)

    def ask(self, job: JobPicture) -> None:
        """The request, then what Enter will do."""
        self._view.ask(job)
        step = _step(job)
        if step is None:
            return
        ask = str((job.hands or {}).get("ask", ""))
        self._view.say(f"Press Enter when this is done and RF may go on: {ask}")
        with self._lock:
            self._discard()
            self._standing = _Standing(job.id, step, self._clock())

    def result(self, job: JobPicture, result: Result) -> None:
        """As the other view."""
        self._view.result(job, result)

    def say(self, text: str) -> None:
        """As the other view."""
        self._view.say(text)

    def shout(self, text: str) -> None:
        """As the other view."""
        self._view.shout(text)

    # --- what is typed ------------------------------------------------------------------

    def typed(self, line: str) -> None:
        """A line that somebody typed. It answers the request that is shown, if it is empty."""
        with self._lock:
            standing = self._standing
            if standing is None:
                return
            soon = self._clock() - standing.shown_at_s < TOO_SOON_S
            if not soon and not line.strip():
                self._standing = None
        if soon:
            self._view.say("That came too soon to be an answer. Press Enter once it is done.")
        elif line.strip():
            self._view.say("Not answered: press Enter alone once it is done.")
        else:
            self._answer(standing)

    def _answer(self, standing: _Standing) -> None:
        try:
            with self._connect() as daemon:
                daemon.post(f"/api/jobs/{standing.job}/ready", step=standing.step)
        except DaemonRefused as refusal:
            self._view.say(f"Not answered: {refusal}")
        except BenchdError as error:
            # Whether it arrived is not known. The step keeps a second answer from harm.
            with self._lock:
                self._standing = self._standing or standing
            self._view.say(f"Not answered: {error} Press Enter to try again.")
        else:
            self._view.say(f"Answered: {standing.job} goes on, and RF may come on.")


def _step(job: JobPicture) -> int | None:
    step = (job.hands or {}).get("step")
    return step if isinstance(step, int) else None


@contextmanager
def with_enter(view: View, connect: Callable[[], Daemon], stream: IO[str] | None) -> Iterator[View]:
    """The view with answers by Enter, where `stream` is a terminal; else the view as it is."""
    if stream is None or stream.closed or not stream.isatty():
        yield view
        return
    terminal = stream.fileno()
    answers = EnterAnswers(view, connect, discard=lambda: _discard(terminal))
    ending, end = os.pipe()
    reader = threading.Thread(
        target=_read, args=(terminal, ending, answers.typed), name="enter", daemon=True
    )
    reader.start()
    try:
        yield answers
    finally:
        os.close(end)
        reader.join()
        os.close(ending)


def discard_typed(stream: IO[str]) -> None:
    """Throw away what was typed at a terminal and not yet read; elsewhere nothing."""
    if stream.isatty():
        _discard(stream.fileno())


def typed_lines(stream: IO[str]) -> Iterator[str]:
    """Lines as they are typed, without their ends, until there are no more."""
    if not stream.isatty():
        for line in stream:
            yield line.rstrip("\n")
        return
    typed: SimpleQueue[str | None] = SimpleQueue()
    ending, _ = os.pipe()

    def read() -> None:
        _read(stream.fileno(), ending, typed.put)
        typed.put(None)

    threading.Thread(target=read, name="typed", daemon=True).start()
    while (one := typed.get()) is not None:
        yield one


def _in_foreground(terminal: int) -> bool:
    """False for a command that was put into the background: reading would stop it there."""
    try:
        return os.tcgetpgrp(terminal) == os.getpgrp()
    except OSError:
        return True  # not this session's own terminal, which stops nobody


def _discard(terminal: int) -> None:
    if _in_foreground(terminal):
        with suppress(termios.error):
            termios.tcflush(terminal, termios.TCIFLUSH)


def _read(terminal: int, ending: int, typed: Callable[[str], None]) -> None:
    """Hand on each typed line until the watch or the terminal ends."""
    waiting = select.poll()
    waiting.register(ending, select.POLLIN | select.POLLHUP)
    while True:
        waiting.register(terminal, select.POLLIN)
        if not _in_foreground(terminal):
            waiting.unregister(terminal)
        ready = {one for one, _ in waiting.poll(_BACKGROUND_S * 1000)}
        if ending in ready:
            return
        if terminal not in ready or not _in_foreground(terminal):
            continue
        try:
            data = os.read(terminal, 4096)
        except OSError:
            return
        if not data:
            return
        for line in data.decode(errors="replace").splitlines():
            typed(line)
