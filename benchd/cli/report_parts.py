"""What a report is made from, asked of the daemon: one job, an antenna's jobs, a night's jobs."""

from __future__ import annotations

import re
from collections.abc import Sequence
from datetime import UTC, date, datetime, time, timedelta, tzinfo
from importlib.metadata import version
from typing import Any
from urllib.parse import quote

from benchd import __version__
from benchd.cli.batch import SPREAD_ROWS, failed_words, gather_batch, sum_words
from benchd.cli.client import Daemon
from benchd.cli.decoding import decode_records, decode_verdicts
from benchd.cli.history import trim_texts
from benchd.cli.job_files import gather_job
from benchd.errors import OrderRefused, UserError
from benchd.files.yamlfile import nearest
from benchd.moments import zone_name
from benchd.reductions import worksheet_from
from benchd.report.paper import JobPart, Paper, PaperTable
from benchd.results import Result

LAST_NIGHT = "last-night"
MOST_CAPTURES = 200
MOST_JOBS = 60
MOST_REVISIONS = 5
SPREAD_REMARK = (
    "The standard deviation is that of the sample. Errors that all measurements share are not in "
    "it, but in the interval of each value."
)
_DATE = re.compile(r"[0-9]{4}-[0-9]{2}-[0-9]{2}")

Job = dict[str, Any]


def gather(client: Daemon, what: str, now: datetime | None = None) -> Paper:
    """The report of an antenna, a job or a night. Raises OrderRefused where there is none of it.

    now: for tests.
    """
    if what.startswith("job-"):
        return _of_job(client, what)
    if what.startswith("batch-"):
        return _of_batch(client, what)
    if what == LAST_NIGHT or _DATE.fullmatch(what):
        return _of_night(client, what, datetime.now(UTC) if now is None else now)
    return _of_antenna(client, what)


def _versions() -> dict[str, str]:
    return {"benchd": __version__, "matplotlib": version("matplotlib")}


def _of_job(client: Daemon, job_id: str) -> Paper:
    part = job_part(client, client.get(f"/api/jobs/{job_id}"))
    serial = part.job.get("serial")
    named = ", ".join([*part.antennas, *([f"serial {serial}"] if serial else [])])
    return Paper(
        title=named or str(part.job["title"]),
        kind="job",
        bench=str(part.job["bench"]),
        zone=client.zone,
        jobs=[part],
        about=str(part.job["title"]) if named else "",
        versions=_versions(),
    )


def _of_batch(client: Daemon, name: str) -> Paper:
    """All serial numbers with their values and the spread; no job in full."""
    made = gather_batch(client, name)
    jobs = [client.get(f"/api/jobs/{row.job}") for row in made.rows]
    heads = [one.words + (f" at {one.where}" if one.where else "") for one in made.spread]
    values = []
    for row in made.rows:
        told = ["" if one is None else one.text for one in row.values]
        values.append([row.serial, *told, row.outcome.replace("-", " ") or row.state])
    spread = [
        [words, *(one.text.get(key, "") for one in made.spread)] for words, key in SPREAD_ROWS
    ]
    spread.append(["Failed", *(failed_words(one) for one in made.spread)])
    return Paper(
        title=f"{made.antenna or made.recipe}, {len(made.rows)} serial numbers",
        kind="batch",
        bench=str(jobs[0]["bench"]),
        zone=client.zone,
        jobs=[],
        about=f"{made.batch}, recipe {made.recipe}. {sum_words(made)}",
        listed=jobs,
        tables=[
            PaperTable("Values", ["Serial", *heads, "Limits"], values),
            PaperTable("Spread", ["", *heads], spread, below=[SPREAD_REMARK]),
        ],
        versions=_versions(),
    )


def _of_antenna(client: Daemon, name: str) -> Paper:
    """The newest job of each recipe in full; all earlier ones in the summary."""
    records = client.get("/api/results", antenna=name, limit=10_000)
    ids = list(dict.fromkeys(str(one["job_id"]) for one in records))
    if not ids:
        known = [str(one["name"]) for one in client.get("/api/antennas")]
        if name in known:
            raise OrderRefused(
                f'there is no result of "{name}" yet.',
                advice=f'Measure it first: benchd queue return-loss -p antenna="{name}"',
            )
        raise OrderRefused(
            f'"{name}" is no antenna, no job and no night: {nearest(name, known)}',
            advice="A night is a date such as 2026-03-14, or last-night.",
        )
    jobs = [client.get(f"/api/jobs/{one}") for one in ids]
    newest: dict[str, Job] = {}
    for job in jobs:
        newest.setdefault(str(job["recipe"]), job)
    full = [one["id"] for one in newest.values()]
    found: dict[str, list[Result]] = {}
    for record in decode_records(records):
        found.setdefault(record.job_id, []).append(record.result)
    return Paper(
        title=name,
        kind="antenna",
        bench=str(jobs[0]["bench"]),
        zone=client.zone,
        jobs=[job_part(client, job) for job in newest.values()],
        about="The newest measurement by each recipe; the summary lists all.",
        listed=[job for job in jobs if job["id"] not in full],
        found=found,
        tables=_story(client, name),
        versions=_versions(),
    )


def _story(client: Daemon, name: str) -> list[PaperTable]:
    """The antenna over its newest revisions; nothing where there is but one."""
    story = client.get(f"/api/antennas/{quote(name, safe='')}/story")
    revisions = story["revisions"][-MOST_REVISIONS:]
    if len(revisions) < 2:
        return []
    heads = ["", *(str(one["antenna"]) for one in revisions)]
    changed = ["; ".join(str(each["text"]) for each in one["changes"]) for one in revisions]
    trimmed = ["; ".join(trim_texts(one)) for one in revisions]
    rows = [["What was changed", *changed], ["Trim", *trimmed]]
    for each in story["quantities"]:
        told = [one["newest"].get(each["name"]) for one in revisions]
        rows.append(
            [str(each["words"]), *("" if one is None else str(one["text"]) for one in told)]
        )
    return [PaperTable(f"Revisions of {story['name']}", heads, rows)]


def _of_night(client: Daemon, what: str, now: datetime) -> Paper:
    zone = client.zone
    evening = _evening(what, zone, now)
    begin, end = night_of(evening, zone)
    jobs = [job for job in client.get("/api/jobs", limit=10_000) if _is_in(job, begin, end)]
    if not jobs:
        raise OrderRefused(
            f"there is no job of the night of {evening.isoformat()}: none began or ended between "
            f"noon of that day and noon of the next ({zone_name(zone)}).",
            advice="benchd jobs shows when each was queued.",
        )
    jobs.sort(key=lambda job: (str(job["started_at"] or job["ended_at"]), str(job["id"])))
    done = [job for job in jobs if job["started_at"] and job["state"] not in ("running",)]
    full = done[:MOST_JOBS]
    told = [job["id"] for job in full]
    return Paper(
        title=f"Night of {evening.isoformat()}",
        kind="night",
        bench=str(jobs[0]["bench"]),
        zone=zone,
        jobs=[job_part(client, job) for job in full],
        about=f"All jobs from noon of that day to noon of the next, {zone_name(zone)}.",
        listed=[job for job in jobs if job["id"] not in told],
        versions=_versions(),
    )


def _evening(what: str, zone: tzinfo, now: datetime) -> date:
    if what == LAST_NIGHT:
        return now.astimezone(zone).date() - timedelta(days=1)
    try:
        return date.fromisoformat(what)
    except ValueError as error:
        raise UserError(f'"{what}" is no date of the calendar.', where="report") from error


def night_of(evening: date, zone: tzinfo) -> tuple[datetime, datetime]:
    """From noon to the next noon, as the clocks of the bench show it: every job has one night."""
    noon = time(12)
    try:
        ends = [datetime.combine(day, noon, zone) for day in (evening, evening + timedelta(days=1))]
        begin, end = (one.astimezone(UTC) for one in ends)
    except OverflowError as error:
        raise UserError(f'"{evening}" lies outside the calendar.', where="report") from error
    return begin, end


def _is_in(job: Job, begin: datetime, end: datetime) -> bool:
    """By when it began; one that never began, by when it ended."""
    text = job["started_at"] or job["ended_at"]
    return text is not None and begin <= datetime.fromisoformat(text) < end


def job_part(client: Daemon, job: Job) -> JobPart:
    """One job with all that its section tells."""
    job_id = str(job["id"])
    worksheet = worksheet_from(client.get(f"/api/jobs/{job_id}/worksheet"))
    plots = gather_job(client, job_id)
    own = client.get("/api/captures", job=job_id, limit=10_000)
    used = [capture for record in plots.records for capture in record.result.captures]
    ids = list(dict.fromkeys([*used, *(str(one["id"]) for one in reversed(own))]))
    return JobPart(
        job=job,
        worksheet=worksheet,
        plots=plots,
        verdicts=decode_verdicts(client.get(f"/api/jobs/{job_id}/verdicts")),
        captures=_captures(client, ids[:MOST_CAPTURES]),
        captures_total=len(ids),
        qualification=client.get(f"/api/jobs/{job_id}/qualification"),
    )


def _captures(client: Daemon, ids: Sequence[str]) -> list[dict[str, Any]]:
    found = [client.get(f"/api/captures/{one}") for one in ids]
    return sorted(found, key=lambda one: (str(one["taken_at"]), str(one["id"])))
