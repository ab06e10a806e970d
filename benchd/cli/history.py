"""`benchd history`: an antenna over its revisions, as the daemon tells its story."""

from __future__ import annotations

import sys
from collections.abc import Mapping, Sequence
from datetime import datetime
from typing import Annotated, Any
from urllib.parse import quote

import typer

from benchd.cli.as_json import to_text
from benchd.cli.client import DEFAULT_URL
from benchd.cli.connection import connect
from benchd.cli.options import AsJson, DaemonUrl
from benchd.cli.screen import Screen, cell, plain, render, say, screen_of, table
from benchd.moments import time_words

Document = Mapping[str, Any]

OUTCOME_STYLES = {True: "green", False: "bold red", None: "bold yellow"}


def history(
    antenna: Annotated[str, typer.Argument(metavar="ANTENNA", help="The antenna's name.")],
    json: AsJson = False,
    daemon: DaemonUrl = DEFAULT_URL,
) -> None:
    """Tell an antenna's story: its revisions, what was changed, and what each was found to be.

    Revisions are found by their names ("dipole r3", "dipole r4") or by what the register says.
    """
    with connect(daemon) as client:
        found = client.get(f"/api/antennas/{quote(antenna, safe='')}/story")
        screen = screen_of(sys.stdout, client.zone)
    say(to_text(found, indent=2) if json else format_history(found, screen))


def format_history(story: Document, screen: Screen) -> str:
    """What was changed and decided, then what was found: a row for each revision."""
    revisions = story["revisions"]
    blocks = [plain(str(story["name"])), _changes(revisions, screen)]
    quantities = story["quantities"]
    if quantities:
        blocks.append(_found(revisions, quantities, screen))
    else:
        blocks.append("Nothing has been measured of it yet.")
    return "\n\n".join(blocks)


def _changes(revisions: Sequence[Document], screen: Screen) -> str:
    made = table("Revision", "Last measured", "What was changed", "Trim", "Limits")
    for one in revisions:
        changed = [str(each["text"]) for each in one["changes"]]
        if not one["registered"]:
            changed.append("no longer in the register")
        if one["note"]:
            changed.append(str(one["note"]))
        limits = cell("")
        for at, limit in enumerate(one["limits"]):
            words = f"{limit['words']} {limit['limit']}: {limit['outcome_words']}"
            limits.append_text(cell(("\n" if at else "") + words, OUTCOME_STYLES[limit["passed"]]))
        made.add_row(
            cell(str(one["antenna"]), "bold"),
            cell(_when(one["last_at"], screen)),
            cell("; ".join(changed) or "-"),
            cell("\n".join(trim_texts(one)) or "-"),
            limits,
        )
    return render(made, screen)


def trim_texts(revision: Document) -> list[str]:
    """What was said and done about a revision's length, its trim sessions last."""
    told = [str(revision["trimmed"]["text"])] if revision["trimmed"] else []
    return told + [f"trim session: {one['text']}" for one in revision["sessions"]]


def _when(text: str | None, screen: Screen) -> str:
    return time_words(datetime.fromisoformat(text), screen.zone) if text else "never"


def _found(revisions: Sequence[Document], quantities: Sequence[Document], screen: Screen) -> str:
    made = table("Revision", *(str(one["words"]) for one in quantities))
    for one in revisions:
        made.add_row(
            cell(str(one["antenna"]), "bold"),
            *(cell(_told(one["newest"].get(each["name"]))) for each in quantities),
        )
    return render(made, screen)


def _told(told: Document | None) -> str:
    if told is None:
        return "-"
    # A resonance lies where it is; a return loss holds at a frequency.
    at = f" at {told['where']}" if told["where"] and told["frequency_hz"] is not None else ""
    flags = f" ({told['flags']})" if told["flags"] else ""
    return f"{told['text']}{at}{flags}"
