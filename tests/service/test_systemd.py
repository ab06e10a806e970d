"""What systemd is told, received on real sockets; the words are those of sd_notify(3)."""

from __future__ import annotations

import os
import secrets
import socket
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

import pytest

from benchd.service.systemd import Notifier
from tests.patience import PATIENCE_S


@contextmanager
def receiver(name: str) -> Iterator[socket.socket]:
    """systemd's end of the socket."""
    with socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM) as opened:
        opened.bind("\0" + name[1:] if name.startswith("@") else name)
        opened.settimeout(PATIENCE_S)
        yield opened


@pytest.mark.parametrize("kind", ["path", "abstract"])
def test_each_word_arrives_as_one_datagram(tmp_path: Path, kind: str) -> None:
    name = str(tmp_path / "notify") if kind == "path" else f"@benchd-{secrets.token_hex(8)}"
    with receiver(name) as heard:
        notifier = Notifier({"NOTIFY_SOCKET": name, "WATCHDOG_USEC": "60000000"})
        notifier.ready("RF is off")
        notifier.alive()
        notifier.status("two\nlines")
        notifier.stopping()
        assert [heard.recv(4096) for _ in range(4)] == [
            b"READY=1\nSTATUS=RF is off",
            b"WATCHDOG=1",
            b"STATUS=two lines",
            b"STOPPING=1\nSTATUS=stopping: RF goes off",
        ]
    assert notifier.watchdog_s == 60.0


def test_without_a_socket_nothing_is_said_and_nothing_fails() -> None:
    notifier = Notifier({"WATCHDOG_USEC": "60000000"})
    notifier.ready("")
    notifier.alive()
    assert notifier.watchdog_s is None


def test_a_socket_that_is_gone_costs_nothing(tmp_path: Path) -> None:
    Notifier({"NOTIFY_SOCKET": str(tmp_path / "gone")}).ready("")


@pytest.mark.parametrize(
    ("variables", "watchdog_s"),
    [
        ({"WATCHDOG_PID": str(os.getpid())}, 2.0),
        ({"WATCHDOG_PID": "1"}, None),
        ({"WATCHDOG_USEC": "soon"}, None),
        ({"WATCHDOG_USEC": "0"}, None),
    ],
    ids=["for us", "for another process", "no number", "none"],
)
def test_signs_of_life_are_given_to_whoever_asks_this_process_for_them(
    variables: dict[str, str], watchdog_s: float | None
) -> None:
    given = {"NOTIFY_SOCKET": "@somebody", "WATCHDOG_USEC": "2000000", **variables}
    assert Notifier(given).watchdog_s == watchdog_s
    assert given == {}, "no child of the daemon may speak for it"
