"""Sources that misbehave, as real servers, and records that name them."""

from __future__ import annotations

import threading
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path

from benchd.rfoff.record import KnownSource, new_record
from tests.drivers.servers import IDENTITY, Peer, Server, serving

OFF, ON, QUERY = ":OUTP:STAT OFF", ":OUTP:STAT ON", ":OUTP:STAT?"


class FakeSource:
    """A source with RF on, which hears; `speaks` says what it does with a question.

    heard: every message, in order. off_at: when it heard OFF first, on time.monotonic().
    """

    def __init__(self, speaks: Callable[[FakeSource, Peer, str], None] | None = None) -> None:
        self.rf_on = True
        self.heard: list[str] = []
        self.off_at: float | None = None
        self.hears = threading.Event()
        self.hears.set()
        self._speaks = speaks or answers

    def handle(self, server: Server, peer: Peer) -> None:
        """One connection."""
        for line in peer.lines():
            self.hears.wait()
            server.messages.append(line)
            self.heard.append(line)
            if line == OFF:
                self.rf_on = False
                self.off_at = self.off_at or time.monotonic()
            elif line == ON:
                self.rf_on = True
            elif line.endswith("?"):
                self._speaks(self, peer, line)


def answers(source: FakeSource, peer: Peer, line: str) -> None:
    """As a good source does."""
    replies = {"*IDN?": IDENTITY, QUERY: "1" if source.rf_on else "0", "*OPC?": "1"}
    peer.send(replies.get(line, '0,"No error"') + "\n")


def silent(source: FakeSource, peer: Peer, line: str) -> None:
    """Hears and says nothing."""


def half_closed(source: FakeSource, peer: Peer, line: str) -> None:
    """Says that it will say no more, and goes on hearing."""
    peer.connection.shutdown(1)


def dripping(source: FakeSource, peer: Peer, line: str) -> None:
    """A byte now and then, and never the end of a line."""

    def drip() -> None:
        try:
            while not peer.stop.wait(0.01):
                peer.send(b"x")
        except OSError:
            pass

    threading.Thread(target=drip, daemon=True).start()


def flooding(source: FakeSource, peer: Peer, line: str) -> None:
    """Bytes as fast as they are taken, and never the end of a line."""

    def flood() -> None:
        try:
            while not peer.stop.is_set():
                peer.send(b"x" * 65536)
        except OSError:
            pass

    threading.Thread(target=flood, daemon=True).start()


def endless_errors(source: FakeSource, peer: Peer, line: str) -> None:
    """Answers, but its error queue never ends."""
    if "ERR" in line:
        peer.send('-113,"Undefined header"\n')
    else:
        answers(source, peer, line)


MUTE = {"silent": silent, "half-closed": half_closed, "dripping": dripping, "flooding": flooding}


@contextmanager
def fake_source(
    speaks: Callable[[FakeSource, Peer, str], None] | None = None,
) -> Iterator[tuple[FakeSource, Server]]:
    """A source that radiates, on a port of loopback."""
    source = FakeSource(speaks)
    with serving(source.handle) as server:
        try:
            yield source, server
        finally:
            source.hears.set()


def known(address: str, name: str = "generator", **more: object) -> KnownSource:
    """A source as a record knows it."""
    return KnownSource(name, address, (OFF,), QUERY, lowest=(":SOUR:POW:LEV:IMM:AMPL -60",), **more)  # type: ignore[arg-type]


def on_record(data: Path, bench: Path, *addresses: str) -> None:
    """Leave behind what a daemon that died leaves."""
    sources = [known(address, f"generator{number}") for number, address in enumerate(addresses)]
    assert new_record("workshop", bench, data, sources).keep() == []
