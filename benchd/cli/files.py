"""Commands that write files: export, plot, schemas."""

from __future__ import annotations

import json as json_module
from collections.abc import Sequence
from datetime import datetime
from enum import StrEnum
from pathlib import Path
from typing import Annotated, Any

import typer

from benchd.cli.client import DEFAULT_URL, Daemon
from benchd.cli.connection import connect
from benchd.cli.options import DaemonUrl
from benchd.cli.overlay import plot_over_each_other
from benchd.cli.screen import plain, say
from benchd.curves import Curve
from benchd.errors import OrderRefused, UserError
from benchd.files.yamlfile import nearest
from benchd.quantities import Picture, quantity
from benchd.report.plots import JobPlots, plot_capture, plot_job, safe_name
from benchd.report.tables import capture_comments, capture_csv, results_csv
from benchd.report.touchstone import touchstone_of_return_loss, touchstone_of_trace
from benchd.results import ResultRecord
from benchd.traces import Capture, Form
from benchd.web.documents import (
    decode_capture,
    decode_curves,
    decode_records,
    decode_trace,
    to_text,
)

What = Annotated[
    str, typer.Argument(metavar="CAPTURE|JOB", help="The id of a capture or of a job.")
]


class Format(StrEnum):
    """What `export` writes."""

    CSV = "csv"
    JSON = "json"
    TOUCHSTONE = "touchstone"


ENDINGS = {Format.CSV: ".csv", Format.JSON: ".json", Format.TOUCHSTONE: ".s1p"}


def export(
    what: What,
    format: Annotated[Format, typer.Option("--format", help="The format to write.")] = Format.CSV,
    out: Annotated[
        Path | None,
        typer.Option(
            "--out", metavar="PATH",
            help="A file for a capture; for a job a folder, which gets its captures too.",
        ),
    ] = None,
    daemon: DaemonUrl = DEFAULT_URL,
) -> None:  # fmt: skip
    """Write a capture or a job's results to files that other programs read.

    Without --out a capture, or a job's results, go to stdout. Touchstone holds reflection only:
    the complex traces of a network analyzer, or a job's normalised return loss with angle 0.
    """
    with connect(daemon) as client:
        if not _is_job(what):
            text = _capture_text(_capture(client, what), format)
            _put(text, out)
        elif out is None:
            say(_job_text(client, what, format).rstrip("\n"))
        else:
            for path in _export_job(client, what, format, out):
                say(str(path))


def _is_job(what: str) -> bool:
    return what.startswith("job-")


def _capture(client: Daemon, capture_id: str) -> Capture:
    document = client.get(f"/api/captures/{capture_id}")
    traces = client.get(f"/api/captures/{capture_id}/trace")
    return decode_capture(document, [decode_trace(trace) for trace in traces])


def _capture_text(capture: Capture, format: Format) -> str:
    match format:
        case Format.CSV:
            return capture_csv(capture)
        case Format.JSON:
            return to_text({"capture": capture, "traces": capture.traces}, indent=2) + "\n"
        case Format.TOUCHSTONE:
            return touchstone_of_trace(capture.level, capture_comments(capture))


def _job_text(client: Daemon, job_id: str, format: Format) -> str:
    if format is Format.TOUCHSTONE:
        raise UserError(
            "a job may hold more than one curve, so it needs a folder to write to.",
            where="--out",
            advice=f"Try: benchd export {job_id} --format touchstone --out {job_id}",
        )
    records = client.get("/api/results", job=job_id, limit=10_000)
    if format is Format.CSV:
        client.get(f"/api/jobs/{job_id}")  # an unknown job is an error, not an empty table
        return results_csv(decode_records(records))
    document = {
        "job": client.get(f"/api/jobs/{job_id}"),
        "results": records,
        "verdicts": client.get(f"/api/jobs/{job_id}/verdicts"),
    }
    return to_text(document, indent=2) + "\n"


def _export_job(client: Daemon, job_id: str, format: Format, folder: Path) -> list[Path]:
    if format is Format.TOUCHSTONE:
        texts = _touchstone_files(client, job_id)
    else:
        texts = {f"results{ENDINGS[format]}": _job_text(client, job_id, format)}
        for about in client.get("/api/captures", job=job_id, limit=10_000):
            name = safe_name(about["id"]) + ENDINGS[format]
            texts[name] = _capture_text(_capture(client, about["id"]), format)
    _make(folder)
    return [_write(folder / name, text) for name, text in texts.items()]


def _touchstone_files(client: Daemon, job_id: str) -> dict[str, str]:
    texts: dict[str, str] = {}
    job = client.get(f"/api/jobs/{job_id}")
    comments = [f"benchd job {job_id}", f"bench: {job['bench']}", f"recipe: {job['recipe']}"]
    for curve in _reduced(client, job_id):
        if curve.quantity == "return_loss":
            name = f"{safe_name(f'{curve.reduction} return loss')}.s1p"
            texts[name] = touchstone_of_return_loss(
                curve, [*comments, f"reduction: {curve.reduction}"]
            )
    for about in client.get("/api/captures", job=job_id, limit=10_000):
        if about["settings"].get("method") == "vector":
            capture = _capture(client, about["id"])
            if capture.level.form is Form.RATIO_COMPLEX:
                text = _capture_text(capture, Format.TOUCHSTONE)
                texts[f"{safe_name(capture.id)}.s1p"] = text
    if not texts:
        raise UserError(
            f"{job_id} has no reflection to write.",
            advice="Only return loss and complex traces have a Touchstone form; try --format csv.",
        )
    return texts


def _reduced(client: Daemon, job_id: str) -> list[Curve]:
    return decode_curves(client.get(f"/api/jobs/{job_id}/traces"))


def plot(
    what: Annotated[
        list[str],
        typer.Argument(
            metavar="CAPTURE|JOB|ANTENNA...",
            help="The id of a capture or of a job, or an antenna's name; several are drawn over "
            "each other.",
        ),
    ],
    out: Annotated[
        Path,
        typer.Option("--out", metavar="DIR", help="The folder to write to; it is made."),
    ] = Path("plots"),
    levels: Annotated[
        bool,
        typer.Option(
            "--levels",
            help="Of a job, draw the recorded levels too: those of one result together.",
        ),
    ] = False,
    daemon: DaemonUrl = DEFAULT_URL,
) -> None:
    """Draw what a job has found, or a capture, as PNG and SVG files.

    What matters stands first in the list. Recorded levels are drawn with --levels, and where
    there is nothing else. Several jobs, captures or antennas are drawn over each other; an antenna
    stands for its newest job.
    """
    with connect(daemon) as client:
        if len(what) > 1 or not what[0].startswith(("job-", "cap-")):
            paths = plot_over_each_other(client, what, _make(out))
        elif _is_job(what[0]):
            paths = plot_job(gather_job(client, what[0], levels=levels), _make(out), levels=levels)
        else:
            capture = _capture(client, what[0])
            recipe = client.get(f"/api/jobs/{capture.job_id}")["recipe"]
            paths = plot_capture(capture, recipe, _make(out), zone=client.zone)
    for path in paths:
        say(plain(str(path)))


def gather_job(client: Daemon, job_id: str, *, levels: bool = False) -> JobPlots:
    """All that the plots of one job are drawn from, asked of the daemon.

    levels: recorded levels are to be drawn. Without, captures are read only where a picture needs
    them: there may be thousands.
    """
    job = client.get(f"/api/jobs/{job_id}")
    worksheet = client.get(f"/api/jobs/{job_id}/worksheet")
    records = decode_records(client.get("/api/results", job=job_id, limit=10_000))
    over_time = any(quantity(r.result.quantity).picture is Picture.DRIFT for r in records)
    return JobPlots(
        recipe=job["recipe"],
        bench=job["bench"],
        job_id=job_id,
        moment=datetime.fromisoformat(job["ended_at"] or job["started_at"] or job["created_at"]),
        zone=client.zone,
        reduced=_reduced(client, job_id),
        records=records,
        captures=_captures(client, job_id, records) if levels or over_time or not records else (),
        settings=_settings(worksheet["steps"]),
        cautions=len(worksheet["cautions"]),
    )


def _captures(client: Daemon, job_id: str, records: Sequence[ResultRecord]) -> list[Capture]:
    """The job's own captures, oldest first, and those of others that its results rest on."""
    own = [str(one["id"]) for one in client.get("/api/captures", job=job_id, limit=10_000)]
    used = [capture for record in records for capture in record.result.captures]
    return [_capture(client, one) for one in dict.fromkeys([*reversed(own), *used])]


def _settings(steps: Sequence[Any]) -> dict[str, dict[str, Any]]:
    """The settings of each reduction, from the worksheet."""
    return {step["name"]: step["settings"] for step in steps if step["kind"] == "reduce"}


def schemas(
    name: Annotated[
        str | None,
        typer.Argument(
            metavar="[NAME]",
            help="Print this one instead, such as recipe, benchd.result/1 or json-results.",
        ),
    ] = None,
    out: Annotated[
        Path, typer.Option("--out", metavar="DIR", help="The folder to write to; it is made.")
    ] = Path("schemas"),
) -> None:
    """Write JSON Schemas: of bench files and recipes for your editor, of what is published, and of
    what each command prints with --json (json-COMMAND). With NAME, print one.

    Needs no daemon.
    """
    from benchd.cli.json_contract import json_schemas
    from benchd.publish import schemas as payload_schemas
    from benchd.recipe import schemas as file_schemas

    found = {**file_schemas(), **payload_schemas(), **json_schemas()}
    if name is not None:
        if name not in found:
            raise OrderRefused(f'there is no schema "{name}", {nearest(name, found)}')
        say(json_module.dumps(found[name], indent=2, ensure_ascii=False))
        return
    _make(out)
    for one, schema in sorted(found.items()):
        text = json_module.dumps(schema, indent=2, ensure_ascii=False) + "\n"
        say(str(_write(out / f"{safe_name(one)}.schema.json", text)))


def _make(folder: Path) -> Path:
    try:
        folder.mkdir(parents=True, exist_ok=True)
    except OSError as error:
        raise UserError(f"cannot make the folder: {error}", where="--out") from error
    return folder


def _write(path: Path, text: str) -> Path:
    try:
        path.write_text(text, encoding="utf-8", newline="")
    except OSError as error:
        raise UserError(f"cannot write: {error}", where="--out") from error
    return path


def _put(text: str, out: Path | None) -> None:
    if out is None:
        say(text.rstrip("\n"))
    else:
        say(str(_write(out, text)))
