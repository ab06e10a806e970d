"""How long opening a session may take, and that it can be stopped, on every network transport."""

from __future__ import annotations

import socket
import threading
import time
from collections.abc import Callable, Iterator

import pytest

from drivers.errors import LinkLost, Stopped
from drivers.link import Link
from tests.drivers.message_servers import Vxi11, hislip
from tests.drivers.servers import IDENTITY, Peer, Server, answering, serving
from tests.patience import PATIENCE_S

ADDRESSES: dict[str, Callable[[int], str]] = {
    "socket": lambda port: f"TCPIP::127.0.0.1::{port}::SOCKET",
    "hislip": lambda port: f"TCPIP::127.0.0.1::hislip0,{port}::INSTR",
    "vxi11": lambda port: f"TCPIP::127.0.0.1,{port}::inst0::INSTR",
}


@pytest.fixture
def nobody_accepts() -> Iterator[int]:
    """A port whose queue of connections is full, as that of a host that drops them."""
    with socket.socket() as listener:
        listener.bind(("127.0.0.1", 0))
        listener.listen(0)
        port = listener.getsockname()[1]
        fillers = [socket.socket() for _ in range(4)]
        for filler in fillers:
            filler.setblocking(False)
            filler.connect_ex(("127.0.0.1", port))
        yield port
        for filler in fillers:
            filler.close()


def silent(server: Server, peer: Peer) -> None:
    """Takes the connection and says nothing."""
    peer.wait()


@pytest.mark.parametrize("transport", ADDRESSES)
def test_a_connection_nobody_accepts_ends_at_the_time_that_is_given(
    transport: str, nobody_accepts: int
) -> None:
    """The library's own HiSLIP would wait five seconds for it."""
    began = time.monotonic()
    with pytest.raises(LinkLost, match=r"cannot be (reached|opened)"):
        Link.open("analyzer", ADDRESSES[transport](nobody_accepts), open_timeout_s=0.3)
    assert time.monotonic() - began >= 0.3
    began = time.monotonic()
    with pytest.raises(LinkLost, match=r"cannot be (reached|opened)"):
        Link.open("analyzer", ADDRESSES[transport](nobody_accepts), open_timeout_s=5.6)
    assert time.monotonic() - began >= 5.6


@pytest.mark.parametrize("transport", ["hislip", "vxi11"])
def test_a_server_that_does_not_answer_the_opening_is_waited_for_as_long_as_is_given(
    transport: str,
) -> None:
    """The library's own would wait five seconds, no more and no less."""
    with serving(silent) as server:
        address = ADDRESSES[transport](server.port)
        for given_s in (0.3, 6.0):
            began = time.monotonic()
            with pytest.raises(LinkLost, match=r"cannot be opened|cannot be reached"):
                Link.open("analyzer", address, timeout_s=0.1, open_timeout_s=given_s)
            assert time.monotonic() - began >= given_s


@pytest.mark.parametrize("transport", ["hislip", "vxi11"])
def test_a_server_that_takes_its_time_to_open_is_waited_for(transport: str) -> None:
    """Longer than its time to answer, which is another thing."""
    inner = {"hislip": hislip, "vxi11": Vxi11}[transport](lambda _: "1\n")

    def slow(server: Server, peer: Peer) -> None:
        peer.stop.wait(0.8)
        inner(server, peer)

    with (
        serving(slow) as server,
        Link.open(
            "analyzer",
            ADDRESSES[transport](server.port),
            timeout_s=PATIENCE_S,
            open_timeout_s=PATIENCE_S,
        ) as link,
    ):
        assert link.identity == IDENTITY


@pytest.mark.parametrize("transport", ADDRESSES)
def test_opening_can_be_stopped(transport: str, nobody_accepts: int) -> None:
    stop = threading.Event()
    threading.Timer(0.2, stop.set).start()
    with pytest.raises(Stopped):
        Link.open(
            "analyzer",
            ADDRESSES[transport](nobody_accepts),
            open_timeout_s=PATIENCE_S,
            cancel=stop.is_set,
        )


@pytest.mark.parametrize("transport", ["hislip", "vxi11"])
def test_a_silent_opening_can_be_stopped(transport: str) -> None:
    stop = threading.Event()
    with serving(silent) as server:
        threading.Timer(0.2, stop.set).start()
        with pytest.raises(Stopped):
            Link.open(
                "analyzer",
                ADDRESSES[transport](server.port),
                open_timeout_s=PATIENCE_S,
                cancel=stop.is_set,
            )


@pytest.mark.parametrize("transport", ADDRESSES)
def test_what_may_stop_the_opening_is_not_asked_in_later_calls(transport: str) -> None:
    """Later calls may come from another thread, and have a say of their own."""
    servers = {"socket": answering, "hislip": hislip, "vxi11": Vxi11}
    asked: list[str] = []

    def at_the_opening() -> bool:
        asked.append("opening")
        return False

    with (
        serving(servers[transport](lambda _: "1\n")) as server,
        Link.open(
            "analyzer",
            ADDRESSES[transport](server.port),
            timeout_s=PATIENCE_S,
            open_timeout_s=PATIENCE_S,
            cancel=at_the_opening,
        ) as link,
    ):
        asked.clear()
        assert link.query("POW?", cancel=lambda: False) == "1"
        assert asked == []
