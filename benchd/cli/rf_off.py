"""`benchd rf-off` as `benchd --help` shows it; `benchd.cli.main` runs it before loading this."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from benchd.cli.quick_rf_off import Options, run


def rf_off(
    bench: Annotated[
        Path | None,
        typer.Option(
            "--bench", metavar="FILE",
            help="Switch off the sources of this bench file too. It may be broken: what can be "
            "read of it is used.",
        ),
    ] = None,
    data: Annotated[
        Path | None,
        typer.Option(
            "--data", metavar="DIR", help="Where the daemon keeps its database.",
            show_default="~/.local/share/benchd",
        ),
    ] = None,
    unless_owned: Annotated[
        bool,
        typer.Option(
            "--unless-owned",
            help="Send nothing to a source that a living daemon owns: it does that itself.",
        ),
    ] = False,
) -> None:  # fmt: skip
    """Switch off every source that benchd knows, at once, and say which of them confirmed it.

    For a person in a hurry, and for systemd before a start and after an end of the daemon. It
    needs no daemon, no bench file and no database. Exit status 0 means that every source has
    said that it is off (or belongs to a living daemon, with --unless-owned).
    """
    raise typer.Exit(run(Options(bench, data, unless_owned)))
