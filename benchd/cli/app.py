"""The command line: which commands there are."""

from __future__ import annotations

from typing import Annotated

import typer

from benchd import __version__
from benchd.cli import antennas, budget, demo, files, health, orders, queries, rf_off, serving

app = typer.Typer(
    help="Runs measurement recipes on an antenna bench and keeps the results, each with its "
    "uncertainty. Start the daemon with benchd serve; the other commands talk to it.",
    no_args_is_help=True,
    add_completion=False,
    pretty_exceptions_enable=False,
    rich_markup_mode=None,
    context_settings={"help_option_names": ["-h", "--help"]},
)


def _version(wanted: bool) -> None:
    if wanted:
        print(f"benchd {__version__}")
        raise typer.Exit


@app.callback(help=app.info.help)
def _all_commands(
    version: Annotated[
        bool,
        typer.Option("--version", callback=_version, is_eager=True, help="Print the version."),
    ] = False,
) -> None:
    """Options before the command."""


# Each with the one line that `benchd --help` shows; `benchd COMMAND --help` says more.
_COMMANDS = (
    (serving.serve, "Run the daemon, which owns the bench."),
    (rf_off.rf_off, "Switch off every source that is known, at once."),
    (orders.check, "Print what a recipe would do; queue nothing."),
    (orders.queue, "Hand a recipe to the daemon to run."),
    (orders.jobs, "List jobs and what each waits for."),
    (orders.watch, "Show a job's progress until it ends."),
    (orders.ready, "Say that you have done what a job asked for."),
    (orders.withdraw, "Take a job off the queue, or stop it."),
    (health.health, "Tell how the daemon is, and whether to look at it now."),
    (queries.instruments, "List the instruments and whether they answer."),
    (antennas.bench, "Show the files of the bench and whether they are in force."),
    (queries.recipes, "List the recipes with their parameters; or show one."),
    (queries.captures, "List stored captures."),
    (queries.results, "List results with their uncertainties."),
    (budget.budget, "Print where a result's uncertainty comes from."),
    (queries.reduce, "Reduce a job's stored captures again."),
    (files.export, "Write CSV, JSON or Touchstone files."),
    (files.plot, "Draw PNG and SVG files."),
    (demo.demo, "Run everything once on a virtual bench."),
    (files.schemas, "Write JSON Schemas for editors and subscribers."),
)

for _function, _summary in _COMMANDS:
    app.command(short_help=_summary)(_function)
app.add_typer(
    antennas.antenna, name="antenna", short_help="List, show and add antennas of the bench."
)
