"""Gains of every method: `python -m tests.gain_study [--benches N] [--seed S] [--into FILE]`."""

from __future__ import annotations

import argparse
import json
import multiprocessing
import os
import sys
import time
from collections.abc import Callable
from concurrent.futures import ProcessPoolExecutor
from dataclasses import asdict
from datetime import UTC, datetime
from pathlib import Path

from tests.coverage_study.study import Line
from tests.gain_study import revisions, study, workshop
from tests.gain_study.table import markdown

WORLDS: dict[str, Callable[[int], list[Line]]] = {
    "mirrors": study.lines_of,
    "workshop": workshop.lines_of,
    "revisions": revisions.lines_of,
}
"""Six image walls with antennas by NEC2; the virtual benches of both dialect families; two antennas
compared on each of these."""


def lines_of(world: str, benches: int, seed: int, processes: int) -> list[Line]:
    """Every stated interval of the benches with the seeds seed, seed + 1, ..."""
    found: list[Line] = []
    forked = multiprocessing.get_context("fork")
    with ProcessPoolExecutor(processes, mp_context=forked) as pool:
        seeds = range(seed, seed + benches)
        for number, lines in enumerate(pool.map(WORLDS[world], seeds), 1):
            found += lines
            if number % 20 == 0:
                print(f"{world}: {number} of {benches} benches", file=sys.stderr)
    return found


def write_into(document: Path, world: str, text: str) -> None:
    """Put the table between the marks of its world in a document."""
    start, end = f"<!-- gains: {world} -->", f"<!-- end of gains: {world} -->"
    before, _, rest = document.read_text().partition(start)
    _, _, after = rest.partition(end)
    document.write_text(f"{before}{start}\n{text}\n{end}{after}")


def main() -> None:
    """Run, print the tables, and write them where asked."""
    options = argparse.ArgumentParser(prog="gain_study")
    options.add_argument("--benches", type=int, default=300)
    options.add_argument("--seed", type=int, default=20_000)
    options.add_argument("--world", choices=[*WORLDS, "all"], default="all")
    options.add_argument("--processes", type=int, default=2)
    options.add_argument("--into", type=Path, help="document that holds the tables")
    options.add_argument("--lines", type=Path, help="file for every single interval, JSON lines")
    given = options.parse_args()
    os.nice(10)
    every: list[Line] = []
    for world in WORLDS if given.world == "all" else (given.world,):
        began = time.monotonic()
        lines = lines_of(world, given.benches, given.seed, given.processes)
        every += lines
        text = (
            f"{datetime.now(UTC):%Y-%m-%d}, {given.benches} benches, seeds {given.seed} to "
            f"{given.seed + given.benches - 1}, {len(lines)} intervals, "
            f"{(time.monotonic() - began) / 60.0:.0f} minutes.\n\n{markdown(lines)}"
        )
        print(f"{world}: {text}")
        if given.into:
            write_into(given.into, world, text)
    if given.lines:
        given.lines.write_text("".join(json.dumps(asdict(line)) + "\n" for line in every))


if __name__ == "__main__":
    main()
