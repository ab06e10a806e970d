"""Commands about jobs: check, queue, jobs, watch, ready, withdraw."""

from __future__ import annotations

import sys
from datetime import UTC, datetime
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer

from benchd.cli.as_json import to_text
from benchd.cli.ask_antenna import with_antennas
from benchd.cli.client import DEFAULT_URL, Daemon
from benchd.cli.completion import job_ids
from benchd.cli.connection import connect
from benchd.cli.decoding import decode_records, decode_verdicts
from benchd.cli.options import (
    AsJson,
    DaemonUrl,
    JobId,
    Limit,
    NotBefore,
    Parameters,
    Priority,
    RecipeArgument,
    is_file,
    read_pairs,
    read_recipe_file,
    whole,
)
from benchd.cli.results_table import format_results
from benchd.cli.rf import RF_NOT_VERIFIED, warn_of_rf
from benchd.cli.screen import note, plain, say, screen_of
from benchd.cli.show import format_jobs, format_later, format_queued
from benchd.cli.typed_times import read_when
from benchd.errors import OrderRefused
from benchd.job_request import JobRequest, RecipeSource

if TYPE_CHECKING:
    from benchd.worksheet import Worksheet

OptionalJob = Annotated[
    str | None,
    typer.Argument(
        metavar="[JOB]", help="The job's id; needed only where several could be meant.",
        autocompletion=job_ids,
    ),
]  # fmt: skip


def recipe_source(recipe: str) -> RecipeSource:
    """What RECIPE means: a file that is read here, or a name that the daemon knows."""
    if is_file(recipe):
        return RecipeSource(text=read_recipe_file(recipe), file=Path(recipe).name)
    return RecipeSource(recipe)


def _body(recipe: str, parameters: list[str] | None) -> dict[str, Any]:
    arguments = read_pairs(parameters, "-p")
    return {**recipe_source(recipe).as_body(), "arguments": arguments}


def check(
    recipe: RecipeArgument,
    parameter: Parameters = None,
    bench: Annotated[
        Path | None,
        typer.Option(
            "--bench", metavar="FILE", help="Check against this bench file, without a daemon."
        ),
    ] = None,
    recipes: Annotated[
        list[Path] | None,
        typer.Option(
            "--recipes", metavar="DIR",
            help="With --bench: a folder to look for the recipe in. Repeatable.",
        ),
    ] = None,
    json: AsJson = False,
    daemon: DaemonUrl = DEFAULT_URL,
) -> None:  # fmt: skip
    """Print what a recipe would do: steps, settings, times, levels, cautions. Queues nothing.

    Refuses a recipe that is wrong, or that could damage something.
    """
    if bench is not None:
        from benchd.cli.offline import resolve_offline

        file, folders = bench, recipes or []
        worksheet = with_antennas(
            read_pairs(parameter, "-p"),
            lambda arguments: resolve_offline(recipe, file, folders, arguments),
        )
    else:
        body = _body(recipe, parameter)
        worksheet = with_antennas(
            body["arguments"],
            lambda arguments: _check_with(daemon, body | {"arguments": arguments}),
        )
    if json:
        from benchd.web.documents import to_text as worksheet_text

        say(worksheet_text(worksheet, indent=2))
        return
    from benchd.recipe import render_worksheet

    say(plain(render_worksheet(worksheet)).rstrip("\n"))


def _check_with(url: str, body: dict[str, Any]) -> Worksheet:
    with connect(url) as daemon:
        document = daemon.post("/api/check", body)
    from benchd.reductions import worksheet_from

    return worksheet_from(document)


def queue(
    recipe: RecipeArgument,
    parameter: Parameters = None,
    priority: Priority = 0,
    not_before: NotBefore = None,
    finish_by: Annotated[
        str | None,
        typer.Option(
            "--finish-by", metavar="TIME",
            help="Run only if it can end by this time of the bench's zone; else the job is missed. "
            "If it is still under way then, it ends there with RF off.",
        ),
    ] = None,
    wait: Annotated[bool, typer.Option("--wait", help="Then watch the job until it ends.")] = False,
    json: AsJson = False,
    daemon: DaemonUrl = DEFAULT_URL,
) -> None:  # fmt: skip
    """Hand a recipe to the daemon, which runs it when the bench is free."""
    body = _body(recipe, parameter)
    with connect(daemon) as client:
        body |= window(priority, not_before, finish_by, client).as_body()
        job = with_antennas(
            body["arguments"],
            lambda arguments: client.post("/api/jobs", body | {"arguments": arguments}),
        )
        if json and not wait:
            say(to_text(job, indent=2))
            return
        (note if wait else say)(format_queued(job))
        if wait:
            _watch(client, [job["id"]], json)


def window(
    priority: int, not_before: str | None, finish_by: str | None, client: Daemon
) -> JobRequest:
    """The window with the offsets from UTC that the bench's time zone has on those days."""
    if not_before is None and finish_by is None:
        return JobRequest(priority)
    zone = client.zone
    now = datetime.now(UTC)
    start = end = None
    if not_before is not None:
        start = read_when(not_before, "--not-before", after=now, zone=zone)
        now = max(now, start)
    if finish_by is not None:
        end = read_when(finish_by, "--finish-by", after=now, zone=zone)
    return JobRequest(priority, start, end)


def jobs(
    state: Annotated[
        list[str] | None,
        typer.Option(
            "--state", metavar="STATE",
            help="Only jobs in this state: waiting, running, needs-hands, done, failed, "
            "withdrawn, missed. Repeatable.",
        ),
    ] = None,
    limit: Limit = 20,
    json: AsJson = False,
    daemon: DaemonUrl = DEFAULT_URL,
) -> None:  # fmt: skip
    """List jobs, newest first, and what each waits for.

    Exits with 3 if RF is not verified off.
    """
    with connect(daemon) as client:
        found = client.get("/api/jobs", state=state, limit=limit)
        screen = screen_of(sys.stdout, client.zone)
        say(to_text(found, indent=2) if json else format_jobs(found, screen))
        if warn_of_rf(client):
            raise typer.Exit(RF_NOT_VERIFIED)


def watch(
    job: OptionalJob = None,
    json: AsJson = False,
    daemon: DaemonUrl = DEFAULT_URL,
) -> None:
    """Show a job's progress until it ends, then its results.

    At a terminal, Enter answers what a job asks of your hands: RF may go on after it.
    Without JOB: all unfinished jobs that may run now. Of a job whose window opens later it says
    what the job waits for, and does not wait itself.
    Exits with 1 if a job did not end as done, and with 3 if RF is not verified off.
    """
    from benchd.cli.follow import unfinished

    with connect(daemon) as client:
        wanted = [job] if job is not None else []
        later: list[dict[str, Any]] = []
        if job is None:
            may_run, later = unfinished(client, datetime.now(UTC))
            wanted = [str(one["id"]) for one in may_run]
        for one in later:
            note(format_later(one, client.zone))
        if not wanted:
            note(
                "No other job is waiting or running." if later else "No job is waiting or running."
            )
            if warn_of_rf(client):
                raise typer.Exit(RF_NOT_VERIFIED)
            return
        _watch(client, wanted, json)


def _watch(client: Daemon, job_ids: list[str], as_json: bool) -> None:
    from benchd.cli.enter_answers import with_enter
    from benchd.cli.follow import follow
    from benchd.cli.watch_views import view

    with (
        view(zone=client.zone) as bars,
        with_enter(bars, lambda: connect(client.url), sys.stdin) as shown,
    ):
        ended = follow(client, job_ids, shown)
    documents: list[Any] = []
    for job in ended:
        records = client.get("/api/results", job=job.id)
        verdicts = client.get(f"/api/jobs/{job.id}/verdicts")
        if as_json:
            about = client.get(f"/api/jobs/{job.id}")
            documents.append({"job": about, "results": records, "verdicts": verdicts})
        elif records or verdicts:
            text = format_results(
                decode_records(records),
                screen_of(sys.stdout, client.zone),
                decode_verdicts(verdicts),
            )
            say(text)
    if as_json:
        say(to_text(documents, indent=2))
    if warn_of_rf(client):
        raise typer.Exit(RF_NOT_VERIFIED)
    if any(job.state != "done" for job in ended):
        raise typer.Exit(1)


def ready(
    job: OptionalJob = None,
    step: Annotated[
        int | None,
        typer.Option(
            parser=whole(0, 10**6),
            help="Step of the request, as it was shown; another one is not answered.",
        ),
    ] = None,
    daemon: DaemonUrl = DEFAULT_URL,
) -> None:
    """Say that you have done what a job asked for. RF may go on again after this."""
    with connect(daemon) as client:
        job_id = job if job is not None else _the_one_that_asks(client)
        answer = client.post(f"/api/jobs/{job_id}/ready", step=step)
    say(plain(f"{answer['id']} goes on."))


def _the_one_that_asks(client: Daemon) -> str:
    asking = client.get("/api/jobs", state="needs-hands")
    if len(asking) != 1:
        count = "no job asks" if not asking else f"{len(asking)} jobs ask"
        raise OrderRefused(
            f"{count} for your hands now.", advice="benchd jobs shows what each needs."
        )
    return str(asking[0]["id"])


def withdraw(job: JobId, daemon: DaemonUrl = DEFAULT_URL) -> None:
    """Take a job off the queue, or stop it: RF goes off, its captures are kept."""
    with connect(daemon) as client:
        answer = client.post(f"/api/jobs/{job}/withdraw")
    if answer["state"] == "withdrawn":
        say(plain(f"{answer['id']} is withdrawn."))
    else:
        say(plain(f"{answer['id']} is being stopped."))
