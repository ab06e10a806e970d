"""What `benchd demo --stay` goes on with: a night of jobs, and a person who trims the dipole.

All of it can be watched on the page while it happens. The night comes first. Then a simulated
person files the dipole by what each look of a trim session advises, enters what has come out as
the next revision, and has it measured and compared with the one before.
"""

from __future__ import annotations

import sys
from collections.abc import Sequence
from pathlib import Path
from typing import Any

from benchd.cli.client import Daemon
from benchd.cli.demo_bench import Child, Up
from benchd.cli.demo_box import Brief
from benchd.cli.follow import JobPicture, follow
from benchd.cli.screen import note, plain
from benchd.cli.watch_views import view
from benchd.errors import BenchdError

PACE_S = "3"
"""Seconds that the person takes for each piece of work: slow enough to be watched."""

TRIMMED = "dipole r3"
NIGHT: tuple[tuple[str, dict[str, str]], ...] = (
    ("open-short-baseline", {}),
    ("match-over-band", {"antenna": TRIMMED}),
    ("return-loss", {"antenna": TRIMMED}),
    ("gain-between-references", {"antenna": "yagi r2"}),
    ("open-short-baseline", {}),
    ("return-loss", {"antenna": TRIMMED}),
    ("gain-pair-by-switch", {"antenna": "yagi r2", "reference": "reference dipole"}),
)


def go_on(up: Up, out: Path) -> None:
    """The night, the trim session and the new revision, one after the other.

    Raises BenchdError where something does not come to its end as it should.
    """
    client = up.client
    page = str(up.said["http"])
    note(
        f"\nStaying up. Open {page}/ in a browser to watch: a night of {len(NIGHT)} jobs is "
        f"measured now, then a simulated\nperson trims the {TRIMMED}.\n"
        f"In another terminal: benchd jobs --daemon {page}   (Ctrl-C ends it)\n"
    )
    _run(client, [_queue(client, recipe, arguments) for recipe, arguments in NIGHT])
    filed_m = _trim(up, out)
    revision = _enter_revision(client, filed_m)
    _run(client, [_queue(client, "return-loss", {"antenna": revision})])
    _run(client, [_queue(client, "compare-revisions", {"first": TRIMMED, "second": revision})])
    note(plain(f"\nThe night is in the store, and {revision} in the register. The page: {page}/"))


def _enter_revision(client: Daemon, filed_m: float) -> str:
    """What was trimmed as a new antenna of the register; its name."""
    antennas = {str(one["name"]): one for one in client.get("/api/antennas")}
    arm_m = float(antennas[TRIMMED]["trim"]["arm_m"]) - filed_m
    stem, _, number = TRIMMED.rpartition("r")
    # A folder that was used before has the revision of then.
    count = int(number) + 1
    while f"{stem}r{count}" in antennas:
        count += 1
    name = f"{stem}r{count}"
    changes = {"arm": f"{arm_m * 1e3:.2f} mm"}
    client.post("/api/antennas", {"name": name, "start": TRIMMED, "changes": changes})
    return name


def _queue(client: Daemon, recipe: str, arguments: dict[str, str]) -> str:
    return str(client.post("/api/jobs", {"recipe": recipe, "arguments": arguments})["id"])


def _run(client: Daemon, ids: Sequence[str]) -> None:
    with view(zone=client.zone) as shown:
        ended = follow(client, list(ids), Brief(shown, sys.stderr.isatty()))
    _require_done(ended)


def _require_done(ended: Sequence[JobPicture]) -> None:
    failed = [job for job in ended if job.state != "done"]
    if failed:
        raise BenchdError("; ".join(f"{job.recipe}: {job.state}: {job.message}" for job in failed))


def _trim(up: Up, out: Path) -> float:
    """A trim session from its first look to "stop"; what was filed off each arm, m."""
    job: dict[str, Any] = up.client.post("/api/trim", {"antenna": TRIMMED, "looks": 12})
    note(f"A person trims the {TRIMMED}: {up.said['http']}/#/trim/{job['id']}")
    person = Child(
        "simulated person",
        [
            *(sys.executable, "-m", "simulators.trimming", "--pace", PACE_S),
            *("--control", f"{up.control['host']}:{up.control['port']}"),
            *("--daemon", str(up.said["http"]), "--job", str(job["id"])),
        ],
        out / "person.log",
    )
    try:
        person.ready()
        _run(up.client, [str(job["id"])])
        person.wait()
    finally:
        person.stop()
    looks = up.client.get(f"/api/jobs/{job['id']}/trim")["looks"]
    return sum(float(look["removed_m"] or 0.0) for look in looks)
