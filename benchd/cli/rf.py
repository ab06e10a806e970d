"""RF that is not verified off is told by every command that looks at the bench, and by its status.

Status 3 comes before any other: whatever else went wrong, a source that may radiate goes first.
"""

from __future__ import annotations

import time
from collections.abc import Mapping
from typing import Any

from benchd.cli.client import Daemon
from benchd.cli.screen import note, plain

RF_NOT_VERIFIED = 3
ASKING_FOR_S = 15.0
"""How long a daemon that has just started is given to hear from its sources."""


def rf_of(client: Daemon) -> Mapping[str, Any]:
    """What the daemon knows of RF; empty where it does not tell."""
    deadline = time.monotonic() + ASKING_FOR_S
    while True:
        rf: Mapping[str, Any] = client.health().get("rf") or {}
        if not rf.get("asking") or time.monotonic() > deadline:
            return rf
        time.sleep(0.1)


def is_in_doubt(rf: Mapping[str, Any]) -> bool:
    """Whether a source did not say that it is off."""
    return bool(rf) and rf.get("state") not in ("off-verified", "on")


def warn_of_rf(client: Daemon) -> bool:
    """Say on stderr where RF is not verified off; returns whether it had to be said."""
    rf = rf_of(client)
    if not is_in_doubt(rf):
        return False
    for line in rf_lines(rf):
        note(f"!!! {line}")
    return True


def rf_lines(rf: Mapping[str, Any]) -> list[str]:
    """What is known, since when, and what to do."""
    since = f" (since {rf['since']})" if rf.get("since") else ""
    lines = [f"{rf.get('message', '')}{since}", str(rf.get("advice") or "")]
    return [plain(line) for line in lines if line]
