"""`benchd batch`: one recipe over serial numbers; `benchd batch-table`: what came out."""

from __future__ import annotations

import dataclasses
import secrets
import sys
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer

from benchd.cli.as_json import to_text
from benchd.cli.client import DEFAULT_URL, Daemon
from benchd.cli.connection import connect
from benchd.cli.decoding import decode_records, decode_verdicts
from benchd.cli.options import (
    AsJson,
    DaemonUrl,
    NotBefore,
    Parameters,
    Priority,
    RecipeArgument,
    read_pairs,
)
from benchd.cli.orders import recipe_source, window
from benchd.cli.rf import RF_NOT_VERIFIED, warn_of_rf
from benchd.cli.screen import Screen, cell, note, plain, render, say, screen_of, table
from benchd.cli.serial_numbers import read_serials
from benchd.cli.show import OUTCOME_STYLES, STATE_STYLES
from benchd.errors import BenchdError, OrderRefused, UserError
from benchd.rounding import about_words

if TYPE_CHECKING:
    from benchd.report.batch_table import BatchTable, Spread

MOST_JOBS = 10_000
SPREAD_ROWS = (
    ("Mean", "mean"),
    ("Standard deviation", "deviation"),
    ("Least", "least"),
    ("Greatest", "greatest"),
)


def batch(
    recipe: RecipeArgument,
    antenna: Annotated[
        str, typer.Option("--antenna", metavar="NAME", help="What all of them are built as.")
    ],
    serials: Annotated[
        str | None,
        typer.Option("--serials", metavar="LIST", help="Such as 001-020, or A7,A9,A12-A15."),
    ] = None,
    serials_file: Annotated[
        Path | None,
        typer.Option(
            "--serials-file", metavar="FILE", help="A file with one serial number on each line."
        ),
    ] = None,
    parameter: Parameters = None,
    into: Annotated[
        str | None,
        typer.Option("--into", metavar="BATCH", help="Add to this batch instead of a new one."),
    ] = None,
    priority: Priority = 0,
    not_before: NotBefore = None,
    wait: Annotated[
        bool, typer.Option("--wait", help="Watch the jobs to their end, then print the table.")
    ] = False,
    json: AsJson = False,
    daemon: DaemonUrl = DEFAULT_URL,
) -> None:  # fmt: skip
    """Queue a recipe once for each serial number. Each job asks for its antenna by that number.

    A number that was queued before is measured again, and its newest job counts. If one of them is
    refused, none of those after it is queued.
    """
    numbers = read_serials(serials, serials_file)
    arguments = read_pairs(parameter, "-p")
    if "antenna" in arguments:
        raise UserError("the antenna is given by --antenna.", where="-p")
    name = into if into is not None else f"batch-{secrets.token_hex(4)}"
    with connect(daemon) as client:
        body = {
            **recipe_source(recipe).as_body(),
            "arguments": {**arguments, "antenna": antenna},
            **window(priority, not_before, None, client).as_body(),
            "batch": name,
        }
        if into is not None:
            _jobs(client, name)
        queued = _queue(client, body, numbers)
        if not wait:
            say(to_text(queued, indent=2) if json else _queued_words(queued, name))
            return
        note(_queued_words(queued, name))
        ended_well = _watch(client, [str(job["id"]) for job in queued])
        made = gather_batch(client, name)
        _print(made, client, as_json=json)
        if warn_of_rf(client):
            raise typer.Exit(RF_NOT_VERIFIED)
    if not ended_well:
        raise typer.Exit(1)


def _queue(client: Daemon, body: dict[str, Any], serials: list[str]) -> list[dict[str, Any]]:
    queued: list[dict[str, Any]] = []
    for serial in serials:
        try:
            queued.append(client.post("/api/jobs", {**body, "serial": serial}))
        except BenchdError as error:
            if queued:
                before = ", ".join(str(one["serial"]) for one in queued)
                left = ", ".join(serials[len(queued) :])
                note(plain(f"Queued before that: {before}."))
                # Of a connection that broke off nobody knows whether the order had arrived.
                note(
                    plain(
                        f"Not queued, as far as is known: {left}. benchd jobs tells; queue "
                        f"what is missing, and nothing twice, with --into {body['batch']}."
                    )
                )
            raise error
    return queued


def _queued_words(queued: list[dict[str, Any]], name: str) -> str:
    needs = about_words(sum(float(job["expected_s"]) for job in queued))
    count = f"{len(queued)} jobs" if len(queued) > 1 else "1 job"
    return plain(
        f"{name}: {count} queued, about {needs} and your hands. "
        f"The table, as far as it goes: benchd batch-table {name}"
    )


def _watch(client: Daemon, job_ids: list[str]) -> bool:
    from benchd.cli.follow import follow
    from benchd.cli.watch_views import view

    with view(zone=client.zone) as shown:
        ended = follow(client, job_ids, shown)
    return all(job.state == "done" for job in ended)


def table_of_batch(
    name: Annotated[str, typer.Argument(metavar="BATCH", help="As benchd batch has said it.")],
    quantity: Annotated[
        list[str] | None,
        typer.Option(
            "--quantity", metavar="NAME",
            help="A column, such as resonance_frequency; without it those with limits. Repeatable.",
        ),
    ] = None,
    json: AsJson = False,
    daemon: DaemonUrl = DEFAULT_URL,
) -> None:  # fmt: skip
    """Print a batch: each serial number's values, pass or fail, and how far they are spread.

    The mean and the sample standard deviation are those of the values as they stand, in dB where
    they are in dB.
    """
    with connect(daemon) as client:
        made = gather_batch(client, name, quantity or [])
        _print(made, client, as_json=json)


def _print(made: BatchTable, client: Daemon, *, as_json: bool) -> None:
    if as_json:
        say(to_text(batch_document(made), indent=2))
    else:
        say(format_batch(made, screen_of(sys.stdout, client.zone)))


def batch_document(made: BatchTable) -> dict[str, Any]:
    """The table as plain JSON values; what is not finite is written as the API writes it."""
    from benchd.web.documents import encode

    document: dict[str, Any] = encode(dataclasses.asdict(made))
    return document


def gather_batch(client: Daemon, name: str, quantities: list[str] | None = None) -> BatchTable:
    """The table of a batch. Raises OrderRefused where there is none of that name."""
    from benchd.report.batch_table import BatchJob, batch_table

    jobs = [
        BatchJob(
            job,
            decode_records(client.get("/api/results", job=job["id"], limit=10_000)),
            decode_verdicts(client.get(f"/api/jobs/{job['id']}/verdicts")),
        )
        for job in _jobs(client, name)
    ]
    return batch_table(name, jobs, quantities or [])


def _jobs(client: Daemon, name: str) -> list[dict[str, Any]]:
    """The jobs of a batch, oldest first; those that were withdrawn are left out."""
    found = [
        job
        for job in reversed(client.get("/api/jobs", limit=MOST_JOBS))
        if job.get("batch") == name and job.get("serial") and job["state"] != "withdrawn"
    ]
    if not found:
        raise OrderRefused(
            f'there is no batch "{name}".',
            advice="benchd jobs --json names the batch of each job.",
        )
    return found


def format_batch(made: BatchTable, screen: Screen) -> str:
    """A row for each serial number; below them the spread of each column."""
    head = ", ".join(filter(None, [made.batch, made.recipe, made.antenna]))
    names = [one.words + (f" at {one.where}" if one.where else "") for one in made.spread]
    values = table("Serial", *names, "Limits")
    for row in made.rows:
        cells = []
        for value in row.values:
            text = "-" if value is None else value.text or "-"
            flags = f" ({value.flags})" if value is not None and value.flags else ""
            style = OUTCOME_STYLES.get(value.outcome, "") if value is not None else ""
            cells.append(cell(f"{text}{flags}", style))
        values.add_row(cell(row.serial, "bold"), *cells, _outcome(row.outcome, row.state))
    spread = table("", *names)
    for words, key in SPREAD_ROWS:
        spread.add_row(cell(words, "bold"), *(cell(one.text.get(key, "-")) for one in made.spread))
    spread.add_row(cell("Failed", "bold"), *(cell(failed_words(one)) for one in made.spread))
    lines = [plain(head), render(values, screen), "", render(spread, screen), sum_words(made)]
    again = [row.serial for row in made.rows if row.again]
    if again:
        lines.append(plain(f"Measured again, the newest counts: {', '.join(again)}."))
    return "\n".join(lines)


def _outcome(outcome: str, state: str) -> Any:
    if state != "done":
        return cell(state, STATE_STYLES.get(state, ""))
    return cell(outcome.replace("-", " ") or "-", OUTCOME_STYLES.get(outcome, ""))


def failed_words(one: Spread) -> str:
    """How many did not pass the limit on this quantity."""
    words = f"{one.failed} of {one.measured + one.not_told}"
    return f"{words}, {one.not_told} not measured" if one.not_told else words


def sum_words(made: BatchTable) -> str:
    """How many passed, failed, or cannot be told."""
    parts = [f"{made.passed} passed", f"{made.failed} failed"]
    if made.cannot_tell:
        parts.append(f"{made.cannot_tell} cannot be told")
    rest = len(made.rows) - made.passed - made.failed - made.cannot_tell
    if rest:
        parts.append(f"{rest} without a verdict")
    return f"{len(made.rows)} serial numbers: {', '.join(parts)}."
