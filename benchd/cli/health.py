"""`benchd health`: how the daemon is, and whether somebody must look at it now."""

from __future__ import annotations

import sys
from collections.abc import Mapping
from datetime import UTC, datetime, tzinfo
from typing import Any
from zoneinfo import ZoneInfoNotFoundError

import typer

from benchd.cli.as_json import to_text
from benchd.cli.client import DEFAULT_URL
from benchd.cli.connection import connect
from benchd.cli.options import AsJson, DaemonUrl
from benchd.cli.rf import RF_NOT_VERIFIED, is_in_doubt, rf_lines
from benchd.cli.screen import Screen, cell, plain, render, say, screen_of, table
from benchd.moments import time_words, zone_named
from benchd.report.wording import duration_words


def health(json: AsJson = False, daemon: DaemonUrl = DEFAULT_URL) -> None:
    """Tell how the daemon is: RF, store, disk, broker, queue, instruments.

    Exits with 0 if nobody need look now, 1 if somebody must, 3 if RF is not verified off.
    """
    with connect(daemon) as client:
        found = client.health()
        screen = screen_of(sys.stdout, _zone(found))
    say(to_text(found, indent=2) if json else format_health(found, screen))
    if is_in_doubt(found.get("rf") or {}):
        raise typer.Exit(RF_NOT_VERIFIED)
    if found.get("wake"):
        raise typer.Exit(1)


def format_health(found: Mapping[str, Any], screen: Screen) -> str:
    """First what somebody must look at, then how everything stands."""
    lines = [f"!!! {plain(str(reason))}" for reason in found.get("wake") or []]
    made = table("What", "How it stands")
    for name, words in _rows(found, screen.zone):
        made.add_row(cell(name, "bold"), cell(words))
    lines.append(render(made, screen))
    lines += [plain(str(one)) for one in found.get("notes") or []]
    return "\n".join(lines)


def _zone(found: Mapping[str, Any]) -> tzinfo:
    """The bench's time zone as `health` tells it itself: no further question may fail here."""
    try:
        return zone_named(str(found.get("timezone") or "UTC"))
    except (ValueError, ZoneInfoNotFoundError):
        return UTC


def _rows(found: Mapping[str, Any], zone: tzinfo) -> list[tuple[str, str]]:
    rows = [("benchd", f"{found['version']}, bench {found['bench']}")]
    rf, broker = found.get("rf"), found.get("broker")
    if rf:
        rows.append(("RF", ". ".join(rf_lines(rf, zone))))
    rows.append(("job", f"{found['running']} runs" if found.get("running") else "none runs"))
    if "queue" in found:
        rows.append(("queue", _queue(found["queue"])))
        rows.append(("bench thread", str(found["bench_thread"]["state"])))
    rows.append(("store", str(found.get("store") or "writes")))
    free = (found.get("disk") or {}).get("free_bytes")
    if free is not None:
        size = f"{free / 2**30:.1f} GiB" if free >= 2**30 else f"{free / 2**20:.0f} MiB"
        rows.append(("disk", f"{size} free"))
    pending = (found.get("outbox") or {}).get("pending")
    if broker is None:
        kept = f", {pending} messages are kept for one" if pending else ""
        rows.append(("broker", f"none: nothing is published{kept}"))
    else:
        state = "connected" if broker["connected"] else f"not connected: {broker['message']}"
        rows.append(("broker", f"{broker['address']}, {state}"))
    if pending is not None and broker is not None:
        rows.append(("outbox", f"{pending} messages wait for the broker"))
    rows += [(str(one["name"]), _instrument(one, zone)) for one in found.get("instruments") or []]
    return rows


def _queue(queue: Mapping[str, Any]) -> str:
    words = f"{queue['waiting']} wait, {queue['may_run']} of them may run now"
    if queue["oldest_s"] is None:
        return words
    return f"{words}, the oldest since {duration_words(float(queue['oldest_s']))}"


def _instrument(one: Mapping[str, Any], zone: tzinfo) -> str:
    if not one.get("answered_at"):
        return f"{one['state']}, has not answered since benchd started. {one['message']}".strip()
    moment = datetime.fromisoformat(one["answered_at"])
    ago_s = max(0.0, (datetime.now(UTC) - moment).total_seconds())
    words = f"{one['state']}, answered {time_words(moment, zone)}, {duration_words(ago_s)} ago"
    return f"{words}. {one['message']}" if one["message"] else words
