"""What systemd is told of the daemon: ready, alive, stopping, and in a line how it is.

One datagram each to the socket in `$NOTIFY_SOCKET`, as sd_notify(3) describes; nothing where there
is no such socket. That page and sd_watchdog_enabled(3) are the source of every word here.
"""

from __future__ import annotations

import os
import socket
from collections.abc import MutableMapping
from contextlib import suppress


class Notifier:
    """Says things to whoever started the daemon. Never blocks, never raises.

    watchdog_s: how often it wants to hear that the daemon is alive; None where it does not.
    """

    def __init__(self, environment: MutableMapping[str, str] | None = None) -> None:
        """Takes its variables out of the environment: no child shall speak for the daemon."""
        given = os.environ if environment is None else environment
        self._address = _address(given.pop("NOTIFY_SOCKET", ""))
        interval, process = given.pop("WATCHDOG_USEC", ""), given.pop("WATCHDOG_PID", "")
        self.watchdog_s: float | None = None
        is_for_us = process in ("", str(os.getpid()))
        if self._address and is_for_us and interval.isascii() and interval.isdigit():
            self.watchdog_s = int(interval) / 1e6 or None

    def ready(self, status: str) -> None:
        """The start is over."""
        self._say("READY=1", status)

    def alive(self) -> None:
        """The daemon makes progress."""
        self._say("WATCHDOG=1")

    def stopping(self) -> None:
        """The daemon was asked to stop and does so."""
        self._say("STOPPING=1", "stopping: RF goes off")

    def status(self, status: str) -> None:
        """How the daemon is, for `systemctl status`."""
        self._say(status=status)

    def _say(self, word: str = "", status: str = "") -> None:
        if not self._address:
            return
        line = " ".join(status.split())
        text = "\n".join(part for part in (word, f"STATUS={line}" if line else "") if part)
        with suppress(OSError), socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM) as sender:
            sender.setblocking(False)
            sender.sendto(text.encode(), self._address)


def _address(text: str) -> str:
    """The socket's address: a path, or a name in the abstract namespace, which begins with @."""
    if text.startswith("@"):
        return "\0" + text[1:]
    return text if text.startswith("/") else ""
