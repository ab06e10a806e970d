"""The sources of a bench file that cannot be loaded, as far as its lines can be read.

A typing error in a bench file must not keep RF on. This reads no YAML: it looks for the keys
`kind`, `address`, `driver`, `tracking_level` and the OFF commands of each block below
`instruments:`, by their indentation. What it finds is used to switch RF off, and for nothing else.
"""

from __future__ import annotations

import os
import re
from collections.abc import Mapping
from pathlib import Path

from benchd.rfoff.record import KnownSource

# As in drivers.source and drivers.analyzer; a test holds them together.
SOURCE_OFF, SOURCE_QUERY = ":OUTP:STAT OFF", ":OUTP:STAT?"
TRACKING_OFF, TRACKING_QUERY = ":OUTP:TRAC OFF", ":OUTP:TRAC?"

_MOST_BYTES = 1 << 20
_KEY = re.compile(
    r"(?:^|[\s{,])(kind|tracking_level|rf_off|rf_query|tracking_off|tracking_query|reply_style)"
    r" *: *(\"(?:[^\"\\]|\\.)*\"|'[^']*'|\[[^\]]*\]|[^,}\s#][^,}#]*)"
)
_ADDRESS = re.compile(r"(?:^|[\s{,])address *: *(?:\"([^\"]+)\"|'([^']+)'|([^\s\"'}#]+))")


def salvaged(text: str, addresses: Mapping[str, str]) -> list[KnownSource]:
    """Sources and tracking analyzers of a bench file's text.

    addresses: instrument name -> address to use in place of the file's.
    """
    found = []
    for name, block in _instruments(text):
        keys: dict[str, str] = {}
        for line in block:
            for key, value in _KEY.findall(line):
                keys.setdefault(key, _plain(value))
            if (match := _ADDRESS.search(line)) is not None:
                keys.setdefault("address", next(filter(None, match.groups())).rstrip(","))
        address = addresses.get(name) or keys.get("address", "")
        tracks = keys.get("kind") == "analyzer" and "tracking_level" in keys
        if not address or not (keys.get("kind") == "source" or tracks):
            continue
        off = keys.get("tracking_off", TRACKING_OFF) if tracks else keys.get("rf_off", SOURCE_OFF)
        query = (
            keys.get("tracking_query", TRACKING_QUERY)
            if tracks
            else keys.get("rf_query", SOURCE_QUERY)
        )
        query = "" if query in ("null", "~") else query
        found.append(
            KnownSource(
                name, address, (off,), query, off_replies=int("?" in off),
                headed=keys.get("reply_style") == "headed",
            )
        )  # fmt: skip
    return found


def salvaged_from(file: Path, addresses: Mapping[str, str]) -> list[KnownSource]:
    """The same from a file; nothing where it cannot be read."""
    try:
        # A pipe in its place must not hold up RF off.
        descriptor = os.open(file, os.O_RDONLY | os.O_NONBLOCK)
        with open(descriptor, "rb") as stream:
            return salvaged((stream.read(_MOST_BYTES) or b"").decode("latin-1"), addresses)
    except OSError:
        return []


def _instruments(text: str) -> list[tuple[str, list[str]]]:
    """Name and lines of each block below `instruments:`."""
    blocks: list[tuple[str, list[str]]] = []
    inside, depth = False, 0
    for line in text.replace("\t", "  ").splitlines():
        if not line.strip() or line.lstrip().startswith("#"):
            continue
        indent = len(line) - len(line.lstrip())
        if indent == 0:
            inside, depth = line.startswith("instruments"), 0
            continue
        if not inside:
            continue
        depth = depth or indent
        if indent <= depth:
            name, colon, rest = line.strip().partition(":")
            if colon:
                blocks.append((_plain(name), [rest]))
        elif blocks:
            blocks[-1][1].append(line)
    return blocks


def _plain(value: str) -> str:
    value = value.strip()
    if len(value) >= 2 and value[0] == value[-1] and value[0] in "\"'":
        return value[1:-1]
    return value
