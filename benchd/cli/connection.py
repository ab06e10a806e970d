"""One place where commands open their connection to the daemon."""

from __future__ import annotations

import os

from benchd.cli.client import Daemon
from benchd.cli.screen import note, plain
from benchd.errors import UserError


def connect(url: str) -> Daemon:
    """A client of the daemon at `url`, with the token of BENCHD_TOKEN if that is set."""
    token = os.environ.get("BENCHD_TOKEN") or None
    for name, value in (("BENCHD_DAEMON", url), ("BENCHD_TOKEN", token or "")):
        if not value.isascii() or not value.isprintable():
            raise UserError(f"{name} holds a character that none can hold.", where=name)
    return Daemon(url, token, damaged=lambda text: note(plain(text)))
