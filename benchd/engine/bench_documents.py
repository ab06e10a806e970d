"""Antennas and bench as JSON-able documents, for the HTTP API and the command line."""

from __future__ import annotations

from typing import Any

from benchd.bench import Antenna
from benchd.bench.hash_form import stated
from benchd.engine.current_bench import CurrentBench
from benchd.moments import utc_text


def antenna_document(name: str, antenna: Antenna) -> dict[str, Any]:
    """An antenna with its name; numbers in SI units, which are part of their keys.

    `span_hz`: width of a sweep of this antenna if a recipe does not state one.
    """
    return {"name": name, "type": None, **stated(antenna), "span_hz": antenna.span_hz}


def bench_document(bench: CurrentBench) -> dict[str, Any]:
    """The bench and the files that it was read from.

    `trouble` says why a change of the files is not in force; empty if all is well.
    """
    now = bench.now
    return {
        "bench": now.bench,
        "title": now.title,
        "timezone": now.timezone,
        "hash": now.hash,
        "antennas": len(now.antennas),
        "files": [file for file, _ in bench.written or ()],
        "read_at": utc_text(bench.read_at),
        "trouble": bench.trouble,
    }
