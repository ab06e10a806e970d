"""`benchd budget`: where the uncertainty of one result comes from, largest part first."""

from __future__ import annotations

import sys
from typing import Annotated, Any

import typer

from benchd.cli.as_json import to_text
from benchd.cli.client import DEFAULT_URL, Daemon
from benchd.cli.connection import connect
from benchd.cli.decoding import decode_records
from benchd.cli.options import AsJson, DaemonUrl
from benchd.cli.screen import Screen, cell, plain, render, say, screen_of, table
from benchd.errors import OrderRefused
from benchd.moments import time_words
from benchd.reduce.uncertainty import improve_first, shares
from benchd.report.budget_words import Scale, freedom_words, size_of, sums
from benchd.report.wording import flag_words, quantity_words, value_words, where_words
from benchd.results import Budget, ResultRecord

ASSUMED_MARK = " *"


def budget(
    result: Annotated[
        str,
        typer.Argument(
            metavar="RESULT",
            help="A result's id, as benchd results --json gives it; or a quantity such as "
            "realised_gain: then the newest of it.",
        ),
    ],
    antenna: Annotated[
        str | None, typer.Option("--antenna", metavar="NAME", help="The newest of this antenna.")
    ] = None,
    job: Annotated[
        str | None, typer.Option("--job", metavar="JOB", help="The newest of this job.")
    ] = None,
    json: AsJson = False,
    daemon: DaemonUrl = DEFAULT_URL,
) -> None:
    """Print the uncertainty budget of one result, largest part first, and what to improve."""
    with connect(daemon) as client:
        result_id = _id_of(client, result, antenna, job)
        found = client.get(f"/api/results/{result_id}")
        screen = screen_of(sys.stdout, client.zone)
    if json:
        say(to_text(found, indent=2))
        return
    (record,) = decode_records([_plain_record(found)])
    say(format_budget(record, screen))


def _plain_record(document: dict[str, object]) -> dict[str, object]:
    """The record without what the API adds to it, shares and advice: they follow from it."""
    record = {key: value for key, value in document.items() if key != "improve_first"}
    result = record["result"]
    if isinstance(result, dict) and isinstance(result.get("budget"), dict):
        lines = result["budget"]["terms"]
        terms = [{key: v for key, v in line.items() if key != "share"} for line in lines]
        record["result"] = {**result, "budget": {**result["budget"], "terms": terms}}
    return record


def _id_of(client: Daemon, wanted: str, antenna: str | None, job: str | None) -> str:
    """The id itself, or that of the newest result of a quantity."""
    if wanted.startswith("res-"):
        return wanted
    found = client.get("/api/results", quantity=wanted, antenna=antenna, job=job, limit=1)
    if not found:
        of = "".join((f" of {antenna}" if antenna else "", f" in {job}" if job else ""))
        raise OrderRefused(
            f'there is no result "{wanted}"{of}.',
            advice="benchd results lists what there is; --json shows ids and quantities.",
        )
    return str(found[0]["id"])


def format_budget(record: ResultRecord, screen: Screen) -> str:
    """The budget of a result as text: heading, table, sums, method, advice."""
    result = record.result
    heading = [
        " ".join(filter(None, [result.antenna, quantity_words(result.quantity)])),
        where_words(result),
        value_words(result),
    ]
    lines = [plain(": ".join([", ".join(filter(None, heading[:2])), heading[2]]))]
    made_at = time_words(record.reduced_at, screen.zone)
    lines.append(plain(f"{record.id}, {record.recipe}, {made_at}"))
    if result.flags:
        lines.append(plain(f"Flags: {flag_words(result.flags)}."))
    if result.budget is None or not result.budget.terms:
        lines.append("This result has no budget: no uncertainty could be stated.")
        return "\n".join(lines)
    lines += ["", render(_table(result.budget, result.unit), screen), ""]
    lines += sums(result, result.budget)
    if any(line.assumed for line in result.budget.terms):
        lines.append("* a documented default, not knowledge of this bench")
    lines.append(plain(improve_first(result.budget, result.unit)))
    return "\n".join(lines)


def _table(found: Budget, unit: str) -> Any:
    made = table(
        "Term", "Size", "Distribution", "Divisor", "Sensitivity", "nu", "Contribution", "Share"
    )
    for column in made.columns[1:2] + made.columns[3:]:
        column.justify = "right"
    scale = Scale(found.standard, unit)
    for line, share in shares(found):
        made.add_row(
            cell(line.name + (ASSUMED_MARK if line.assumed else ""), "bold"),
            cell(size_of(line)),
            cell(line.distribution),
            cell(f"{line.divisor:.4g}"),
            cell(f"{line.sensitivity:+.4g}"),
            cell(freedom_words(line.degrees_of_freedom)),
            cell(scale.words(line.contribution)),
            cell(f"{100.0 * share:.1f} %"),
            style="yellow" if line.assumed else None,
        )
    return made
