"""Commands that show what the daemon knows: instruments, recipes, captures, results, reduce."""

from __future__ import annotations

import sys
from typing import Annotated

import typer

from benchd.cli.as_json import to_text
from benchd.cli.client import DEFAULT_URL
from benchd.cli.connection import connect
from benchd.cli.decoding import decode_records, decode_verdicts
from benchd.cli.options import AsJson, DaemonUrl, JobId, Limit, whole
from benchd.cli.results_table import format_results
from benchd.cli.rf import RF_NOT_VERIFIED
from benchd.cli.screen import note, plain, say, screen_of
from benchd.cli.show import (
    format_captures,
    format_instruments,
    format_recipe,
    format_recipes,
)
from benchd.errors import OrderRefused, UserError

OfJob = Annotated[str | None, typer.Option("--job", metavar="JOB", help="Only of this job.")]
OfAntenna = Annotated[
    str | None, typer.Option("--antenna", metavar="NAME", help="Only of this antenna.")
]
AllOfThem = Annotated[
    bool, typer.Option("--all", help="Every quantity, not only those that are looked for first.")
]


def instruments(
    test: Annotated[
        bool,
        typer.Option(
            "--test",
            help="Try which commands each instrument takes, with RF off, and print the lines that "
            "the bench file wants for those that it refuses. Only while no job runs.",
        ),
    ] = False,
    instrument: Annotated[
        list[str] | None,
        typer.Option(
            "--instrument", metavar="NAME", help="With --test: only this one. Repeatable."
        ),
    ] = None,
    json: AsJson = False,
    daemon: DaemonUrl = DEFAULT_URL,
) -> None:
    """Ask the bench's instruments who they are, and list them with when each last answered.

    None is asked while a job is under way, or while RF is not verified off. --test exits with 1
    where something must be mended, and with 3 if RF is not verified off after it.
    """
    if instrument and not test:
        raise UserError("--instrument belongs to --test.", where="instruments")
    if test:
        _test_instruments(daemon, instrument or [], json)
        return
    with connect(daemon) as client:
        found = client.get("/api/instruments", ask=True)
        screen = screen_of(sys.stdout, client.zone)
        trouble = client.get("/api/bench")["trouble"]
    say(to_text(found, indent=2) if json else format_instruments(found, screen))
    if trouble:
        note(plain(f"The bench stays as it was: {trouble}"))


def _test_instruments(daemon: str, names: list[str], json: bool) -> None:
    from benchd.cli.instrument_test import format_tests, is_fine, rf_in_doubt, run_tests

    with connect(daemon) as client:
        reports = run_tests(client, names)
    say(to_text(reports, indent=2) if json else format_tests(reports))
    if rf_in_doubt(reports):
        raise typer.Exit(RF_NOT_VERIFIED)
    if not all(is_fine(report) for report in reports):
        raise typer.Exit(1)


def recipes(
    name: Annotated[
        str | None, typer.Argument(metavar="[NAME]", help="Show this recipe, and all it says.")
    ] = None,
    json: AsJson = False,
    daemon: DaemonUrl = DEFAULT_URL,
) -> None:
    """List the recipes that can be queued by name; or show one, with its parameters."""
    with connect(daemon) as client:
        found = client.get("/api/recipes")
    if name is not None:
        one = next((each for each in found if each["name"] == name), None)
        if one is None:
            from benchd.files.yamlfile import nearest

            hint = nearest(name, [each["name"] for each in found])
            raise OrderRefused(f'there is no recipe "{name}", {hint}')
        say(to_text(one, indent=2) if json else format_recipe(one, screen_of(sys.stdout)))
        return
    say(to_text(found, indent=2) if json else format_recipes(found, screen_of(sys.stdout)))


def captures(
    job: OfJob = None,
    route: Annotated[
        str | None, typer.Option("--route", metavar="NAME", help="Only on this route.")
    ] = None,
    role: Annotated[
        str | None,
        typer.Option(
            "--role", metavar="ROLE",
            help="Only of this role: open, short, load, thru, empty, reference, test.",
        ),
    ] = None,
    antenna: OfAntenna = None,
    limit: Limit = 20,
    json: AsJson = False,
    daemon: DaemonUrl = DEFAULT_URL,
) -> None:  # fmt: skip
    """List stored captures, newest first."""
    with connect(daemon) as client:
        found = client.get(
            "/api/captures", job=job, route=route, role=role, antenna=antenna, limit=limit
        )
        screen = screen_of(sys.stdout, client.zone)
    say(to_text(found, indent=2) if json else format_captures(found, screen))


def results(
    job: OfJob = None,
    quantity: Annotated[
        str | None,
        typer.Option(
            "--quantity", metavar="NAME", help="Only this quantity, such as resonance_frequency."
        ),
    ] = None,
    antenna: OfAntenna = None,
    limit: Annotated[
        int,
        typer.Option("--limit", metavar="N", parser=whole(1, 10_000), help="At most N results."),
    ] = 100,
    every: AllOfThem = False,
    json: AsJson = False,
    daemon: DaemonUrl = DEFAULT_URL,
) -> None:
    """List results with their 95 % intervals and flags; with --job also how limits were met.

    First what one looks for: resonance, trim, return loss, VSWR, bandwidth, gain, verdicts.
    """
    with connect(daemon) as client:
        found = client.get("/api/results", job=job, quantity=quantity, antenna=antenna, limit=limit)
        whole_job = job is not None and quantity is None and antenna is None
        verdicts = client.get(f"/api/jobs/{job}/verdicts") if whole_job and not json else []
        screen = screen_of(sys.stdout, client.zone)
    if json:
        say(to_text(found, indent=2))
        return
    say(
        format_results(
            decode_records(found),
            screen,
            decode_verdicts(verdicts),
            complete=every or quantity is not None,
        )
    )


def reduce(
    job: JobId, every: AllOfThem = False, json: AsJson = False, daemon: DaemonUrl = DEFAULT_URL
) -> None:
    """Reduce a job's stored captures again and print what comes out. Nothing is measured."""
    with connect(daemon) as client:
        found = client.post(f"/api/jobs/{job}/reduce")
        screen = screen_of(sys.stdout, client.zone)
    if json:
        say(to_text(found, indent=2))
        return
    say(format_results(decode_records(found), screen, complete=every))
