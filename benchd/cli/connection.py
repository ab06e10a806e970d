"""One place where commands open their connection to the daemon."""

from __future__ import annotations

import os

from benchd.cli.client import Daemon


def connect(url: str) -> Daemon:
    """A client of the daemon at `url`, with the token of BENCHD_TOKEN if that is set."""
    return Daemon(url, os.environ.get("BENCHD_TOKEN") or None)
