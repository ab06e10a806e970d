"""Checking that the box's lid is open or closed as a capture requires."""

from __future__ import annotations

from benchd.errors import BenchdError
from benchd.sweeps import Lid


class LidOpened(BenchdError):
    """The lid was found open while RF was, or was about to be, on."""

    family = "lid-open"


class LidClosed(BenchdError):
    """The lid was found closed in a capture that wants it open."""

    family = "lid-closed"


def require_lid(is_open: bool, wanted: Lid, *, where: str) -> None:
    """Raise LidOpened or LidClosed if the lid is not as wanted."""
    if wanted == "open" and not is_open:
        raise LidClosed(
            "the lid of the box is closed, but this capture wants it open",
            where=where,
            advice="RF is off. Open the lid and queue the job again.",
        )
    if wanted == "closed" and is_open:
        raise LidOpened(
            "the lid of the box is open",
            where=where,
            advice="RF is off. Close the lid and queue the job again.",
        )
