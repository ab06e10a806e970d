"""Several jobs, captures and antennas in one picture, for `benchd plot`."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime
from pathlib import Path

from benchd.cli.client import Daemon
from benchd.cli.screen import note
from benchd.curves import Curve
from benchd.errors import OrderRefused, UserError
from benchd.quantities import DIFFERENCE
from benchd.report.plots import safe_name
from benchd.traces import Capture
from benchd.units import FREQUENCY
from benchd.web.documents import decode_capture, decode_curves, decode_trace
from benchd.worksheet import TRIM_SESSION

MOST = 12


@dataclass(frozen=True)
class _Job:
    id: str
    recipe: str
    bench: str
    moment: datetime
    antenna: str | None = None


def plot_over_each_other(client: Daemon, names: Sequence[str], folder: Path) -> list[Path]:
    """Draw the curves of jobs and antennas, and the levels of captures, each kind in one picture.

    An antenna stands for the newest job with a result of it, and of a trim session for its last
    look: the antenna of the looks before is no more. What has no curve is named on standard error.
    Returns the files written, into `folder`, which must be there. Raises OrderRefused where there
    is nothing to draw.
    """
    from benchd.report.figure import Heading, save, style
    from benchd.report.level_plot import draw_levels
    from benchd.report.overlay_plot import Overlaid, draw_overlay

    if len(names) > MOST:
        raise UserError(f"{len(names)} are too many for one picture; it holds {MOST}.")
    captures = [_capture(client, name) for name in names if name.startswith("cap-")]
    jobs = [_job(client, name) for name in names if not name.startswith("cap-")]
    sheets: dict[str, list[tuple[str, str, Curve]]] = {}
    without: list[str] = []
    for job in jobs:
        drawn = [
            (look, curve)
            for look, curve in _curves(client, job)
            if job.antenna in (None, curve.antenna)
        ]
        if not drawn:
            without.append(f"{job.antenna}: its newest job, {job.id}," if job.antenna else job.id)
        for look, curve in drawn:
            name = ", ".join(filter(None, [curve.antenna, curve.part, look]))
            key = f"{curve.quantity} {curve.trace.along.name}".removesuffix(f" {FREQUENCY}")
            sheets.setdefault(key, []).append((name, job.id, curve))
    written: list[Path] = []
    with style():
        for name, found in sheets.items():
            curves = [Overlaid(called, curve) for called, curve in _called(found)]
            antennas = dict.fromkeys(one.curve.antenna for one in curves if one.curve.antenna)
            heading = Heading(
                antenna=", ".join(antennas) or name,
                recipe=", ".join(dict.fromkeys(job.recipe for job in jobs)),
                moment=max(job.moment for job in jobs),
                bench=", ".join(dict.fromkeys(job.bench for job in jobs)),
                job_id=", ".join(dict.fromkeys(job.id for job in jobs)),
                zone=client.zone,
            )
            figure = draw_overlay(curves, heading)
            written += save(figure, folder / safe_name(f"overlay {name}"))
        if captures:
            antennas = dict.fromkeys(one.antenna for one in captures if one.antenna)
            roles = dict.fromkeys(one.role.value for one in captures)
            heading = Heading(
                antenna=", ".join(antennas) or ", ".join(roles),
                recipe=", ".join(dict.fromkeys(_recipe(client, one.job_id) for one in captures)),
                moment=max(one.taken_at for one in captures),
                bench=", ".join(dict.fromkeys(one.bench for one in captures)),
                job_id=", ".join(dict.fromkeys(one.job_id for one in captures)),
                captures=[one.id for one in captures],
                zone=client.zone,
            )
            written += save(draw_levels(captures, heading), folder / "overlay-levels")
    if not written:
        raise OrderRefused(
            "none of these has a curve.",
            advice="Draw the captures behind them: benchd captures --job JOB lists them.",
        )
    for name in without:
        note(f"{name} has no curve. Name a job of `benchd jobs` in its place.")
    return written


def _called(found: Sequence[tuple[str, str, Curve]]) -> list[tuple[str, Curve]]:
    """Curves with the shortest names that tell them apart: a job's id only where it is needed."""
    names = [name for name, _, _ in found]
    return [
        (name if name and names.count(name) == 1 else ", ".join(filter(None, [name, job])), curve)
        for name, job, curve in found
    ]


def _curves(client: Daemon, job: _Job) -> list[tuple[str, Curve]]:
    """A job's curves that are to be drawn; those of a trim session with the name of their look."""
    curves = decode_curves(client.get(f"/api/jobs/{job.id}/traces"))
    if job.recipe != TRIM_SESSION:
        return [("", curve) for curve in curves]
    last = {curve.quantity: curve for curve in curves}
    return [
        (curve.reduction, curve)
        for curve in curves
        if job.antenna is None or curve is last[curve.quantity]
    ]


def _recipe(client: Daemon, job_id: str) -> str:
    return str(client.get(f"/api/jobs/{job_id}")["recipe"])


def _capture(client: Daemon, capture_id: str) -> Capture:
    document = client.get(f"/api/captures/{capture_id}")
    traces = client.get(f"/api/captures/{capture_id}/trace")
    return decode_capture(document, [decode_trace(trace) for trace in traces])


def _job(client: Daemon, what: str) -> _Job:
    antenna, job_id = None, what
    if not what.startswith("job-"):
        antenna, job_id = what, _newest(client, what)
    document = client.get(f"/api/jobs/{job_id}")
    when = document["ended_at"] or document["started_at"] or document["created_at"]
    return _Job(
        job_id, str(document["recipe"]), str(document["bench"]), datetime.fromisoformat(when),
        antenna,
    )  # fmt: skip


def _newest(client: Daemon, antenna: str) -> str:
    """The newest job that has a result of the antenna, comparisons apart."""
    for record in client.get("/api/results", antenna=antenna, limit=10_000):
        name = str(record["result"]["quantity"])
        if not name.endswith(DIFFERENCE):
            return str(record["job_id"])
    raise OrderRefused(
        f'"{antenna}" is no job and no capture, and there is no result of an antenna of that name.',
        advice="benchd antenna list, benchd jobs and benchd captures show what there is.",
    )
