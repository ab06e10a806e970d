"""The command line: which commands there are."""

from __future__ import annotations

import os
from collections.abc import Sequence
from typing import Annotated

import typer

from benchd import __version__
from benchd.cli.lazy import Entry, lazy_group, loaded

# Name, place of the function, and the one line that `benchd --help` shows; `benchd COMMAND --help`
# says more.
COMMANDS = (
    Entry("new-bench", "new_bench:new_bench", "Ask what the bench is, and write its file."),
    Entry("new-recipe", "new_recipe:new_recipe", "Write a recipe that answers a question."),
    Entry("serve", "serving:serve", "Run the daemon, which owns the bench."),
    Entry("rf-off", "rf_off:rf_off", "Switch off every source that is known, at once."),
    Entry("check", "orders:check", "Print what a recipe would do; queue nothing."),
    Entry("queue", "orders:queue", "Hand a recipe to the daemon to run."),
    Entry("jobs", "orders:jobs", "List jobs and what each waits for."),
    Entry("watch", "orders:watch", "Show a job's progress until it ends."),
    Entry("ready", "orders:ready", "Say that you have done what a job asked for."),
    Entry("trim", "trim:trim", "Trim an antenna by sight, look by look."),
    Entry("withdraw", "orders:withdraw", "Take a job off the queue, or stop it."),
    Entry("live", "live:live", "Look at an antenna sweep after sweep while you adjust it."),
    Entry("move", "line:move", "Put a waiting job at another place in the queue."),
    Entry("rehearse", "line:rehearse", "Tell when each waiting job would run."),
    Entry("health", "health:health", "Tell how the daemon is, and whether to look at it now."),
    Entry("instruments", "queries:instruments", "List the instruments and whether they answer."),
    Entry("bench", "antennas:bench", "Show the files of the bench and whether they are in force."),
    Entry("recipes", "queries:recipes", "List the recipes with their parameters; or show one."),
    Entry("captures", "queries:captures", "List stored captures."),
    Entry("results", "queries:results", "List results with their uncertainties."),
    Entry("budget", "budget:budget", "Print where a result's uncertainty comes from."),
    Entry("reduce", "queries:reduce", "Reduce a job's stored captures again."),
    Entry("export", "files:export", "Write CSV, JSON or Touchstone files."),
    Entry("plot", "files:plot", "Draw PNG and SVG files."),
    Entry("history", "history:history", "Tell an antenna's story over its revisions."),
    Entry("compare", "compare:compare", "Tell whether two jobs, captures or antennas differ."),
    Entry("batch", "batch:batch", "Queue a recipe for each of many serial numbers."),
    Entry("batch-table", "batch:table_of_batch", "Print a batch: values, pass or fail, spread."),
    Entry("report", "report:report", "Write a report for a customer or a notebook."),
    Entry("demo", "demo:demo", "Run everything once on a virtual bench."),
    Entry("schemas", "files:schemas", "Write JSON Schemas for editors and subscribers."),
    Entry("man", "manual:man", "Print the manual page."),
    Entry("antenna", "antennas:antenna", "List, show and add antennas of the bench."),
)

COMPLETION = "_BENCHD_COMPLETE"
"""Set by the shell that wants to know how a word could go on."""

app = typer.Typer(
    help="Runs measurement recipes on an antenna bench and keeps the results, each with its "
    "uncertainty. Start the daemon with benchd serve; the other commands talk to it.",
    cls=lazy_group(COMMANDS),
    no_args_is_help=True,
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


def run(arguments: Sequence[str]) -> None:
    """Run one command line, without the word `benchd`. Ends by SystemExit.

    A command that stands first is run by itself. To be found through the group it would wait for
    the options of the group to be read, which loads more than all of `benchd jobs --help`.
    """
    entries = {entry.name: entry for entry in COMMANDS}
    name = arguments[0] if arguments else ""
    if name in entries and COMPLETION not in os.environ:
        loaded(entries[name])(args=list(arguments[1:]), prog_name=f"benchd {name}")
    else:
        app(args=list(arguments), prog_name="benchd")
