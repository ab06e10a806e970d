"""RF that is not verified off is told by every command that looks at the bench, and by its status.

Status 3 comes before any other: whatever else went wrong, a source that may radiate goes first.
"""

from __future__ import annotations

import sys
import time
from collections.abc import Mapping
from dataclasses import replace
from datetime import UTC, datetime, tzinfo
from typing import Any

from benchd.cli.client import Daemon
from benchd.cli.screen import cell, note, plain, render, screen_of
from benchd.moments import time_words

RF_NOT_VERIFIED = 3
RF_SHOUT = "RF IS NOT VERIFIED OFF: keep away from open ports."
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
    """Shout on stderr where RF is not verified off; returns whether it had to be said."""
    rf = rf_of(client)
    if not is_in_doubt(rf):
        return False
    screen = screen_of(sys.stderr)
    for line in (RF_SHOUT, *rf_lines(rf)):
        note(render(cell(f"!!! {line}", "bold white on red"), replace(screen, width=1000)))
    return True


def rf_lines(rf: Mapping[str, Any], zone: tzinfo = UTC) -> list[str]:
    """What is known, since when by the clocks of that zone, and what to do."""
    since = ""
    if rf.get("since"):
        since = f" (since {time_words(datetime.fromisoformat(rf['since']), zone)})"
    lines = [f"{rf.get('message', '')}{since}", str(rf.get("advice") or "")]
    return [plain(line) for line in lines if line]
