"""The whole campaign: `python -m tests.faults [--runs N] [--seed S] [--into FILE]`."""

from __future__ import annotations

import argparse
import os
import sys
import time
from datetime import UTC, datetime
from pathlib import Path

from tests.faults import registry
from tests.faults.campaign import campaign, shown, tasks
from tests.faults.table import markdown, meanings

START, END = "<!-- table -->", "<!-- end of table -->"


def write_into(document: Path, text: str) -> None:
    """Put the tables between the marks of a document."""
    before, _, rest = document.read_text().partition(START)
    _, _, after = rest.partition(END)
    document.write_text(f"{before}{START}\n{text}\n{END}{after}")


def main() -> int:
    """Run, print the table, and write it where asked. Exit status 1 where a kind did not hold."""
    kinds = registry.load()
    options = argparse.ArgumentParser(prog="faults")
    options.add_argument("--runs", type=int, default=400)
    options.add_argument("--seed", type=int, default=7000)
    options.add_argument("--into", type=Path, help="document that holds the table")
    options.add_argument("--workers", type=int, default=2)
    options.add_argument(
        "--done", type=Path, help="file of outcomes, JSON lines: a broken campaign goes on there"
    )
    options.add_argument("--kinds", default="", help="only these, separated by commas")
    given = options.parse_args()
    chosen = [name.strip() for name in given.kinds.split(",") if name.strip()] or list(kinds)
    if unknown := [name for name in chosen if name not in kinds]:
        options.error(f"no kind {', '.join(unknown)}; there are: {', '.join(kinds)}")
    began_s = time.monotonic()
    outcomes = campaign(tasks(chosen, given.runs, given.seed), given.workers, given.done)
    heading = (
        f"{datetime.now(UTC):%Y-%m-%d}, {len(outcomes)} runs of {len(chosen)} kinds, seeds "
        f"{given.seed} to {given.seed + given.runs - 1}, "
        f"{(time.monotonic() - began_s) / 60.0:.0f} minutes; {given.workers} workers on "
        f"{os.cpu_count()} cores, load average {os.getloadavg()[2]:.0f}."
    )
    text = f"{heading}\n\n{markdown(outcomes, kinds)}"
    print(text)
    failed = [one for one in outcomes if not one.held]
    for one in failed:
        print(shown(one), file=sys.stderr)
    if given.into:
        write_into(given.into, f"{text}\n\n{meanings(kinds)}")
    return 1 if failed else 0


if __name__ == "__main__":
    sys.exit(main())
