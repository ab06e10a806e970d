"""The lid contact while RF is on: slow, silent, opened, lost. Real sockets."""

from __future__ import annotations

import threading
import time
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

import pytest

from benchd.acquire import LidClosed, LidOpened
from benchd.bench import load_bench
from benchd.engine.rig import Rig
from benchd.errors import LinkLost
from drivers.exchange import Exchange, Pause, Reply
from tests.drivers.servers import IDENTITY, Peer, Server, serving
from tests.patience import PATIENCE_S
from tests.rfoff.sources import OFF, ON, FakeSource, fake_source

BENCH = Path(__file__).resolve().parents[2] / "recipes" / "benches" / "workshop.yaml"


class Contact:
    """A lid contact. `delay_s`: until it answers; `silent`: it says nothing any more.

    asked: how often the lid was asked for. connections: how often it was opened.
    """

    def __init__(self, delay_s: float = 0.0) -> None:
        self.delay_s = delay_s
        self.is_open = False
        self.silent = False
        self.asked = 0
        self.connections = 0

    def handle(self, server: Server, peer: Peer) -> None:
        """One connection."""
        self.connections += 1
        for line in peer.lines():
            if line == ":SENS:LID?":
                self.asked += 1
                if self.silent:
                    continue
                peer.stop.wait(self.delay_s)
                peer.send("1\n" if self.is_open else "0\n")
            elif line.endswith("?"):
                replies = {"*IDN?": IDENTITY, "*OPC?": "1"}
                peer.send(replies.get(line, '0,"No error"') + "\n")


@contextmanager
def rig_with(contact: Contact, **lid: Any) -> Iterator[tuple[Rig, FakeSource]]:
    """A rig of one source and one lid contact."""
    bench = load_bench(BENCH)
    with fake_source() as (source, place), serving(contact.handle) as lid_place:
        generator = bench.instruments["generator"].model_copy(
            update={"address": place.address, "timeout_s": PATIENCE_S, "identity": None}
        )
        lid_contact = bench.instruments["lid"].model_copy(
            update={"address": lid_place.address, "timeout_s": PATIENCE_S, "identity": None} | lid
        )
        update = {"instruments": {"generator": generator, "lid": lid_contact}}
        rig = Rig(bench.model_copy(update=update))
        yield rig, source
        rig.close()


def radiating_until(done: threading.Event) -> Any:
    """Switches on, and works until told otherwise: many short exchanges and waits."""
    yield (Exchange("generator", ON, radiates=True),)
    while not done.is_set():
        yield (Exchange("generator", "*OPC?", Reply.TEXT),)
        yield Pause(0.02)
    return "done"


def until(condition: Any) -> None:
    deadline = time.monotonic() + PATIENCE_S
    while not condition():
        assert time.monotonic() < deadline
        time.sleep(0.01)


def once_under_way(source: FakeSource, contact: Contact, **change: bool) -> None:
    """Change the contact when RF is on and the lid was asked for a few times."""

    def act() -> None:
        until(lambda: source.rf_on and contact.asked >= 3)
        for name, value in change.items():
            setattr(contact, name, value)

    threading.Thread(target=act).start()


@pytest.mark.parametrize("delay_s", [0.0, 0.15, 0.3, 0.7])
def test_a_contact_that_answers_slowly_ends_no_sweep(delay_s: float) -> None:
    contact = Contact(delay_s)
    done = threading.Event()
    with rig_with(contact, answer_within_s=10.0) as (rig, source):

        def end() -> None:
            until(lambda: contact.asked >= 5)
            done.set()

        watcher = threading.Thread(target=end)
        watcher.start()
        assert rig.measure(radiating_until(done), ["generator"], lambda _: None) == "done"
        watcher.join()
        assert not source.rf_on
        # A second sweep over the same link: no answer of the first is taken for its own.
        assert rig.measure(radiating_until(done), ["generator"], lambda _: None) == "done"
    assert contact.connections == 1


@pytest.mark.parametrize("delay_s", [0.0, 0.3])
def test_an_opened_lid_ends_the_sweep_however_slowly_the_contact_answers(delay_s: float) -> None:
    contact = Contact(delay_s)
    with rig_with(contact, answer_within_s=10.0) as (rig, source):
        once_under_way(source, contact, is_open=True)
        with pytest.raises(LidOpened, match="lid: the lid of the box is open"):
            rig.measure(radiating_until(threading.Event()), ["generator"], lambda _: None)
        assert not source.rf_on
        assert rig.rf_not_verified() == []


def test_a_lid_that_is_wanted_open_and_is_closed_ends_the_sweep() -> None:
    contact = Contact()
    contact.is_open = True
    with rig_with(contact) as (rig, source):
        once_under_way(source, contact, is_open=False)
        with pytest.raises(LidClosed):
            rig.measure(
                radiating_until(threading.Event()), ["generator"], lambda _: None, lid="open"
            )
        assert not source.rf_on


def test_a_lid_that_stands_open_keeps_rf_from_coming_on() -> None:
    contact = Contact()
    contact.is_open = True
    with rig_with(contact) as (rig, source):
        with pytest.raises(LidOpened):
            rig.measure(radiating_until(threading.Event()), ["generator"], lambda _: None)
        assert ON not in source.heard


def test_a_contact_that_goes_silent_is_not_waited_for_with_rf_on() -> None:
    """Its `timeout:` is five minutes; RF goes off as soon as its time to answer is over."""
    contact = Contact()
    with rig_with(contact) as (rig, source):
        assert rig.bench.instruments["lid"].answer_within_s == 1.0  # type: ignore[union-attr]
        once_under_way(source, contact, silent=True)
        source.off_at = None
        started = time.monotonic()
        with pytest.raises(LinkLost, match=r"lid: did not answer within 1 s, so nobody knows") as e:
            rig.measure(radiating_until(threading.Event()), ["generator"], lambda _: None)
        assert time.monotonic() - started < PATIENCE_S / 2
        assert "answer_within:" in e.value.advice
        assert not source.rf_on
        assert source.heard[-2:] == [OFF, ":OUTP:STAT?"]
        contact.silent = False


def test_a_contact_that_goes_silent_while_the_analyzer_is_waited_for() -> None:
    """The bench thread sits in one long wait: RF goes off all the same."""
    contact = Contact()
    with rig_with(contact) as (rig, source):

        def waiting() -> Any:
            yield (Exchange("generator", ON, radiates=True),)
            yield Pause(PATIENCE_S)

        once_under_way(source, contact, silent=True)
        with pytest.raises(LinkLost, match="did not answer within"):
            rig.measure(waiting(), ["generator"], lambda _: None)
        assert not source.rf_on
        contact.silent = False


def test_a_contact_that_is_silent_from_the_start_keeps_rf_off() -> None:
    contact = Contact()
    contact.silent = True
    with rig_with(contact, timeout_s=0.3) as (rig, source):
        with pytest.raises(LinkLost, match="did not answer in time"):
            rig.measure(radiating_until(threading.Event()), ["generator"], lambda _: None)
        assert ON not in source.heard


def test_a_sweep_that_is_stopped_waits_for_no_contact() -> None:
    contact = Contact()
    with rig_with(contact, answer_within_s=10.0) as (rig, source):

        def stop() -> None:
            until(lambda: source.rf_on and contact.asked >= 3)
            contact.silent = True
            asked = contact.asked
            until(lambda: contact.asked > asked)
            rig.stop.set()

        threading.Thread(target=stop).start()
        with pytest.raises(Exception, match="stopped"):
            rig.measure(radiating_until(threading.Event()), ["generator"], lambda _: None)
        assert not source.rf_on
        contact.silent = False
