"""`benchd new-bench`: what it is told. What it does is loaded when it runs: `bench_questions`."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer


def new_bench(
    out: Annotated[
        Path, typer.Option("--out", metavar="FILE", help="The file to write; it must not exist.")
    ] = Path("bench.yaml"),
    search: Annotated[
        bool,
        typer.Option(
            "--search/--no-search",
            help="Look for instruments on USB, serial lines and, with the extra discovery, the "
            "network. What is found is asked nothing unless you say so.",
        ),
    ] = True,
) -> None:
    """Ask what stands on the bench, and write a bench file that passes benchd check.

    Each question says why it is asked; Enter takes the answer in brackets. Instruments that you
    let it ask for their names hear RF OFF first. Nothing is overwritten.
    """
    from benchd.cli.bench_questions import write_bench

    write_bench(out, search=search)
