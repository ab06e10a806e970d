"""OFF to many sources at once: written blind first, then asked about, in bounded time.

Each source has a thread of its own, so that none waits for another. OFF is the first thing that
is written on a connection. It is written again while no answer comes, since a source may hear
before it can speak; where it does not confirm, its level is set to the lowest as well.
"""

from __future__ import annotations

import threading
import time
from collections.abc import Callable, Sequence
from dataclasses import dataclass

from benchd.rfoff.lines import Line, is_plain, open_line
from benchd.rfoff.ownership import Owner, instrument_keys, owner_of, resolved_hosts
from benchd.rfoff.record import KnownSource

REPEAT_S = 0.25
_WRITE_S = 0.5
_REFUSED_S = 0.05
_FALLBACK_S = 0.4  # how long the others may take to be written to before pyvisa is loaded

VERIFIED, WRITTEN, UNREACHED, OWNED = "verified", "written", "unreached", "owned"


@dataclass(slots=True)
class Outcome:
    """What became of one source. `state` is one of the four words above."""

    source: KnownSource
    state: str = UNREACHED
    detail: str = ""
    owner: Owner | None = None

    def __str__(self) -> str:
        what = f"{self.source.name} at {self.source.address}: "
        if self.state == VERIFIED:
            return f"{what}off, verified{self._owned()}"
        if self.state == OWNED:
            return f"{what}left to {self.owner}, which owns it"
        detail = f" ({self.detail})" if self.detail else ""
        if self.state == WRITTEN:
            return f"{what}written, not verified{detail}: switch it off by hand{self._owned()}"
        return f"{what}not reached{detail}: switch it off by hand{self._owned()}"

    def _owned(self) -> str:
        return f" (owned by {self.owner}, which will notice)" if self.owner else ""


Claim = Callable[[KnownSource, tuple[str, ...]], Owner | None]


def look_only(_: KnownSource, keys: tuple[str, ...]) -> Owner | None:
    """Who owns the instrument, without owning it."""
    return owner_of(keys)


def switch_off(
    sources: Sequence[KnownSource],
    *,
    patience_s: float,
    claim: Claim = look_only,
    unless_owned: bool = False,
    on_written: Callable[[KnownSource], None] = lambda source: None,
) -> list[Outcome]:
    """OFF to all of them; returns within `patience_s` and a little, in the order given.

    claim: tells who else owns an instrument, and may claim it. unless_owned: nothing is sent to
    what somebody else owns.
    """
    deadline = time.monotonic() + patience_s
    attempts = [_Attempt(source, deadline, claim, unless_owned, on_written) for source in sources]
    plain = [attempt for attempt in attempts if is_plain(attempt.outcome.source.address)]
    others = [attempt for attempt in attempts if attempt not in plain]
    for attempt in plain:
        attempt.start()
    if others:
        for attempt in plain:
            attempt.tried.wait(_FALLBACK_S)
        # Loading what reaches the others takes about a second, which is not their fault.
        from benchd.rfoff import visa_off

        deadline = max(deadline, time.monotonic() + min(patience_s, 2.0))
        for attempt in others:
            attempt.deadline = deadline
            attempt.talk = visa_off.talk
            attempt.start()
    for attempt in attempts:
        attempt.done.wait(max(0.0, deadline + _WRITE_S - time.monotonic()))
    return [attempt.result() for attempt in attempts]


class _Attempt:
    """One source. The thread is a daemon: a name server that hangs must not hold up the rest."""

    def __init__(
        self,
        source: KnownSource,
        deadline: float,
        claim: Claim,
        unless_owned: bool,
        on_written: Callable[[KnownSource], None],
    ) -> None:
        self.outcome = Outcome(source)
        self.deadline = deadline
        self.tried = threading.Event()
        self.done = threading.Event()
        self.talk: Callable[[_Attempt], bool] = _talk_plainly
        self._claim = claim
        self._unless_owned = unless_owned
        self._on_written = on_written

    def start(self) -> None:
        threading.Thread(target=self._run, name="rf-off", daemon=True).start()

    def result(self) -> Outcome:
        """A copy, which a thread that is still stuck cannot change any more."""
        now = self.outcome
        return Outcome(now.source, now.state, now.detail, now.owner)

    def written(self) -> None:
        """OFF is on its way to the source."""
        if self.outcome.state == UNREACHED:
            self.outcome.state = WRITTEN
            self.outcome.detail = "it does not answer"
            self._on_written(self.outcome.source)
        self.tried.set()

    def _run(self) -> None:
        try:
            if not self._owned_by_another():
                self._until_verified()
        finally:
            self.tried.set()
            self.done.set()

    def _owned_by_another(self) -> bool:
        source = self.outcome.source
        keys = instrument_keys(source.address, source.resolved or resolved_hosts(source.address))
        try:
            self.outcome.owner = self._claim(source, keys)
        except OSError:
            # Where nothing can be owned, nobody living can be known; OFF harms nobody.
            self.outcome.owner = None
        if self.outcome.owner is not None and self._unless_owned:
            self.outcome.state = OWNED
            return True
        return False

    def _until_verified(self) -> None:
        while True:
            try:
                if self.talk(self):
                    self.outcome.state, self.outcome.detail = VERIFIED, ""
                    return
            except Exception as error:
                if self.outcome.state == UNREACHED or not self.outcome.detail:
                    self.outcome.detail = _reason(error)
            self.tried.set()
            if time.monotonic() + _REFUSED_S >= self.deadline:
                return
            time.sleep(_REFUSED_S)


def _talk_plainly(attempt: _Attempt) -> bool:
    """One connection: True once the source says that it is off."""
    source = attempt.outcome.source
    line = open_line(
        source.address,
        source.resolved,
        attempt.deadline,
        serial=source.serial,
        terminator=source.terminator,
    )
    try:
        return _converse(line, attempt)
    finally:
        line.farewell()


def _converse(line: Line, attempt: _Attempt) -> bool:
    source, end = attempt.outcome.source, attempt.outcome.source.terminator
    off = "".join(message + end for message in source.off).encode("latin-1")
    lowest = "".join(message + end for message in source.lowest).encode("latin-1")
    query = (source.query + end).encode("latin-1")
    # Half a message of a daemon that died may stand in a serial line: an empty line ends it.
    first = off if source.address.upper().startswith("TCPIP") else end.encode("latin-1") + off
    if not line.write(first, time.monotonic() + _WRITE_S):
        raise TimeoutError("it takes no bytes")
    attempt.written()
    if not source.query:
        attempt.outcome.detail = "it cannot be asked"
        time.sleep(REPEAT_S)
        return False
    to_skip, asked, rounds = source.off_replies, False, 0
    while time.monotonic() < attempt.deadline:
        if not asked:
            line.write(query, time.monotonic() + _WRITE_S)
            asked = True
        reply = line.line(min(attempt.deadline, time.monotonic() + REPEAT_S))
        if reply is None:
            rounds += 1
            line.write(off if rounds < 2 else lowest + off, time.monotonic() + _WRITE_S)
            to_skip += source.off_replies
            continue
        if to_skip:
            to_skip -= 1
            continue
        is_on = source.says_on(reply)
        if is_on is False:
            return True
        attempt.outcome.detail = (
            "it says that it is still on" if is_on else f"it answers {reply[:40]!r}"
        )
        line.write(lowest + off, time.monotonic() + _WRITE_S)
        to_skip += source.off_replies
        time.sleep(_REFUSED_S)
        asked = False
    return False


def _reason(error: BaseException) -> str:
    return getattr(error, "strerror", None) or str(error) or type(error).__name__
