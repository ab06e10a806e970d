"""The whole study: `python -m tests.coverage_study [--benches N] [--seed S] [--into FILE]`.

A seed draws two benches, one of the simulators' make and one of foreign make, and more of foreign
make for what few of those meet: dips near the leak, bands of antennas with two dips.
"""

from __future__ import annotations

import argparse
import json
import multiprocessing
import os
import sys
import time
from concurrent.futures import ProcessPoolExecutor
from dataclasses import asdict
from datetime import UTC, datetime
from pathlib import Path

from tests.coverage_study.bands import band_lines_of
from tests.coverage_study.foreign_lines import foreign_lines_of
from tests.coverage_study.matched import matched_lines_of
from tests.coverage_study.refined import points_words, refined_lines_of
from tests.coverage_study.study import Line, lines_of
from tests.coverage_study.table import markdown, rows

PROCESSES = 2
START, END = "<!-- table -->", "<!-- end of table -->"


def all_lines_of(seed: int) -> list[Line]:
    """Every stated interval of the benches of a seed."""
    return [line for name in TOGETHER for line in MAKES[name](seed)]


MAKES = {
    "all": all_lines_of,
    "simulated": lines_of,
    "foreign": foreign_lines_of,
    "matched": matched_lines_of,
    "bands": band_lines_of,
    "refined": refined_lines_of,
}
TOGETHER = ("simulated", "foreign", "matched", "bands")
"""The makes of the one table; sweeps that refine have a table of their own."""


def study(benches: int, seed: int, make: str = "all", processes: int = PROCESSES) -> list[Line]:
    """Every stated interval of the benches with the seeds seed, seed + 1, ..."""
    found: list[Line] = []
    forked = multiprocessing.get_context("fork")
    with ProcessPoolExecutor(processes, mp_context=forked) as pool:
        for number, lines in enumerate(pool.map(MAKES[make], range(seed, seed + benches)), 1):
            found += lines
            if number % 20 == 0:
                print(f"{number} of {benches} benches", file=sys.stderr)
    return found


def write_into(document: Path, text: str, start: str = START, end: str = END) -> None:
    """Put the table between the marks of a document."""
    before, _, rest = document.read_text().partition(start)
    _, _, after = rest.partition(end)
    document.write_text(f"{before}{start}\n{text}\n{end}{after}")


def main() -> None:
    """Run, print the table, and write it where asked."""
    options = argparse.ArgumentParser(prog="coverage_study")
    options.add_argument("--benches", type=int, default=600)
    options.add_argument("--seed", type=int, default=6000)
    options.add_argument("--make", choices=sorted(MAKES), default="all")
    options.add_argument("--processes", type=int, default=PROCESSES)
    options.add_argument("--into", type=Path, help="document that holds the table")
    options.add_argument("--lines", type=Path, help="file for every single interval, JSON lines")
    given = options.parse_args()
    os.nice(10)
    began = time.monotonic()
    lines = study(given.benches, given.seed, given.make, given.processes)
    heading = (
        f"{datetime.now(UTC):%Y-%m-%d}, {given.benches} benches of each make, "
        f"seeds {given.seed} to "
        f"{given.seed + given.benches - 1}, {len(lines)} intervals, "
        f"{(time.monotonic() - began) / 60.0:.0f} minutes."
    )
    table, marks = rows(lines), (START, END)
    if given.make == "refined":
        # Whole and refined sweeps are compared, and never taken together.
        table = [row for row in table if row.region != "all"]
    text = f"{heading}\n\n{markdown(table)}"
    if given.make == "refined":
        text += f"\n\n{points_words(lines)}"
        marks = ("<!-- refined -->", "<!-- end of refined -->")
    print(text)
    if given.lines:
        given.lines.write_text("".join(json.dumps(asdict(line)) + "\n" for line in lines))
    if given.into:
        write_into(given.into, text, *marks)


if __name__ == "__main__":
    main()
