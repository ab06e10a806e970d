"""What `export`, `plot` and `report` ask of the daemon, and the texts and files made of it."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import datetime
from pathlib import Path
from typing import Any

from benchd.cli.client import Daemon
from benchd.cli.export_formats import ENDINGS, Format
from benchd.cli.screen import say
from benchd.curves import Curve
from benchd.errors import UserError
from benchd.quantities import Picture, quantity
from benchd.report.plots import JobPlots, safe_name
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


def is_job(what: str) -> bool:
    """Whether an id is a job's, and not a capture's."""
    return what.startswith("job-")


def read_capture(client: Daemon, capture_id: str) -> Capture:
    """A capture with its values."""
    document = client.get(f"/api/captures/{capture_id}")
    traces = client.get(f"/api/captures/{capture_id}/trace")
    return decode_capture(document, [decode_trace(trace) for trace in traces])


def capture_text(capture: Capture, format: Format) -> str:
    """A capture in that format."""
    match format:
        case Format.CSV:
            return capture_csv(capture)
        case Format.JSON:
            return to_text({"capture": capture, "traces": capture.traces}, indent=2) + "\n"
        case Format.TOUCHSTONE:
            return touchstone_of_trace(capture.level, capture_comments(capture))


def job_text(client: Daemon, job_id: str, format: Format) -> str:
    """A job's results in that format. Raises UserError for Touchstone, which needs a folder."""
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


def export_job(client: Daemon, job_id: str, format: Format, folder: Path) -> list[Path]:
    """Write a job's results and captures into a folder; the files. Raises UserError."""
    if format is Format.TOUCHSTONE:
        texts = _touchstone_files(client, job_id)
    else:
        texts = {f"results{ENDINGS[format]}": job_text(client, job_id, format)}
        for about in client.get("/api/captures", job=job_id, limit=10_000):
            name = safe_name(about["id"]) + ENDINGS[format]
            texts[name] = capture_text(read_capture(client, about["id"]), format)
    make_folder(folder)
    return [write_file(folder / name, text) for name, text in texts.items()]


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
            capture = read_capture(client, about["id"])
            if capture.level.form is Form.RATIO_COMPLEX:
                text = capture_text(capture, Format.TOUCHSTONE)
                texts[f"{safe_name(capture.id)}.s1p"] = text
    if not texts:
        raise UserError(
            f"{job_id} has no reflection to write.",
            advice="Only return loss and complex traces have a Touchstone form; try --format csv.",
        )
    return texts


def _reduced(client: Daemon, job_id: str) -> list[Curve]:
    return decode_curves(client.get(f"/api/jobs/{job_id}/traces"))


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
    return [read_capture(client, one) for one in dict.fromkeys([*reversed(own), *used])]


def _settings(steps: Sequence[Any]) -> dict[str, dict[str, Any]]:
    """The settings of each reduction, from the worksheet."""
    return {step["name"]: step["settings"] for step in steps if step["kind"] == "reduce"}


def make_folder(folder: Path) -> Path:
    """Make a folder where there is none. Raises UserError."""
    try:
        folder.mkdir(parents=True, exist_ok=True)
    except OSError as error:
        raise UserError(f"cannot make the folder: {error}", where="--out") from error
    return folder


def write_file(path: Path, text: str) -> Path:
    """Write a text as it stands. Raises UserError."""
    try:
        path.write_text(text, encoding="utf-8", newline="")
    except OSError as error:
        raise UserError(f"cannot write: {error}", where="--out") from error
    return path


def put(text: str, out: Path | None) -> None:
    """Write a text to that file, or to stdout where none is named. Raises UserError."""
    if out is None:
        say(text.rstrip("\n"))
    else:
        say(str(write_file(out, text)))
