"""How a database to be kept is made: shipped recipes on two virtual benches, run by the daemon.

`python -m tests.yesterday record FOLDER` runs simulator, broker and daemon as processes, does with
its hands what the recipes ask, and leaves the databases in FOLDER. It is run once before a change
that old databases must outlive; what it made is kept beside this file.
"""

from __future__ import annotations

import lzma
import re
import sqlite3
from collections.abc import Callable
from pathlib import Path
from typing import Any

from simulators.person import STEP_M, UnknownRequest, act, at_rest
from tests.system.rigging import REPOSITORY, Daemon, Mosquitto, Simulator, ending, until
from tests.usual import usual

Jobs = tuple[tuple[str, dict[str, str]], ...]

FEW = {"points": "41"}
COARSE = {"points": "9"}
_YAGI = {"antenna": "yagi r2"}

WORKSHOP: Jobs = (
    ("open-short-baseline", {"points": "101"}),
    ("return-loss", {"antenna": "dipole r3", "points": "101"}),
    ("place", {"middle": "yagi r2"}),
    ("return-loss", {**_YAGI, "points": "101"}),
    ("place", {"middle": "reference dipole"}),
    ("return-loss", {"antenna": "reference dipole", "points": "101"}),
    ("place", {"middle": "range dipole"}),
    ("return-loss", {"antenna": "range dipole", "points": "101"}),
    ("place", {"middle": "dipole r3"}),
    ("return-loss-between-baselines", {"points": "61"}),
    ("return-loss-between-baselines", {"points": "61", "free_space": "yes"}),
    ("gain-pair-by-switch", {**_YAGI, "reference": "reference dipole", **FEW}),
    ("gain-pair-by-switch", {**_YAGI, "reference": "reference dipole", **FEW, "match": "newest"}),
    ("place", {"mount_b": "dipole r3"}),
    ("gain-pair-by-switch", {"antenna": "dipole r3", "reference": "reference dipole", **FEW}),
    ("gain-between-references", {"antenna": "dipole r3", **FEW}),
    ("place", {"mount_b": "yagi r2"}),
    ("gain-by-known-range-antenna", FEW),
    ("gain-three-antennas", FEW | {"match": "newest"}),
    ("gain-two-identical", FEW),
    ("gain-over-positions-by-switch", {"points": "11"}),
    ("compare-revisions", {"quantity": "return_loss"}),
    ("compare-revisions", {"quantity": "resonance_frequency"}),
    ("compare-revisions", {"quantity": "realised_gain"}),
)
"""What runs on the switched bench. `place` is no recipe: it moves antennas between the jobs."""

BOX: Jobs = (
    ("return-loss-by-hand", {"points": "101"}),
    ("coupler", {"points": "31"}),
    ("repeatability", COARSE | {"repeats": "5"}),
    ("grounding", COARSE | {"rounds": "2"}),
    ("leakage", COARSE | {"listen_for": "0.3 s"}),
    ("stillness", COARSE | {"repeats": "5"}),
    ("reflectivity", {"points": "15", "places": "7", "step": f"{STEP_M * 1e3:g} mm"}),
    ("drift", COARSE | {"times": "6", "pause": "1 s"}),
    ("return-loss-by-hand", {"points": "101", "antenna": "dipole r3"}),
)
"""What runs on the bench with a box worth qualifying; the last job knows what the others found."""

BENCHES = {"workshop": (WORKSHOP, "1"), "good-box": (BOX, "0.02")}


def record(folder: Path) -> None:
    """Run everything; leaves `NAME.sqlite.xz` and `NAME.yaml` of each bench in the folder."""
    folder.mkdir(parents=True, exist_ok=True)
    for name, (jobs, time_scale) in BENCHES.items():
        work = folder / f"{name}-work"
        work.mkdir()
        bench = REPOSITORY / "recipes" / "benches" / f"{name}.yaml"
        broker = Mosquitto(work)
        broker.start()
        simulator = Simulator(work, name, "--time-scale", time_scale)
        daemon = Daemon(work, simulator, broker.url, bench=bench)
        with ending(daemon, simulator, broker):
            for recipe, arguments in jobs:
                if recipe == "place":
                    for position, item in arguments.items():
                        simulator.do("place", position=position, item=item)
                else:
                    print(name, recipe, _run(daemon, simulator, recipe, arguments), flush=True)
            daemon.stop()
        (folder / f"{name}.yaml").write_text(bench.read_text("utf-8"), "utf-8")
        _keep(work / "data" / "benchd.sqlite", folder / f"{name}.sqlite.xz")


def _keep(database: Path, kept: Path) -> None:
    """The database as one compressed file, without free pages."""
    plain = kept.with_suffix("")
    plain.unlink(missing_ok=True)
    with sqlite3.connect(database) as connection:
        connection.execute("VACUUM INTO ?", (str(plain),))
    connection.close()
    kept.write_bytes(lzma.compress(plain.read_bytes(), preset=9 | lzma.PRESET_EXTREME))
    plain.unlink()


def _run(daemon: Daemon, simulator: Simulator, recipe: str, arguments: dict[str, str]) -> str:
    """One job to its end, by hand where it asks. Its state: `done`, or `failed` by a limit."""
    job = daemon.queue(recipe, **usual(recipe, arguments))
    asked = -1

    def next_request() -> Any:
        row = daemon.job(job)
        if row["state"] == "needs-hands":
            return row if row["hands"]["step"] > asked else None
        return row if row["state"] in ("done", "failed") else None

    while (row := until(next_request, f"{recipe} to ask or to end"))["state"] == "needs-hands":
        asked = row["hands"]["step"]
        _obey(simulator.do, recipe, " ".join(row["hands"]["ask"].split()))
        daemon.http.post(f"/api/jobs/{job}/ready", params={"step": asked})
    return f"{row['state']} {row['message']}"


def _obey(do: Callable[..., Any], recipe: str, ask: str) -> None:
    """Do what is asked by a qualification, or by one of the recipes of this file."""
    try:
        act(do, recipe, ask)
        return
    except UnknownRequest:
        pass
    if recipe == "return-loss-by-hand":
        at_rest(do, "middle")
        fitted = re.search(r"[Ff]it the (open|short|.*?) to the end", ask)
        assert fitted is not None, ask
        do("place", position="middle", item=fitted[1])
    elif "straight to" in ask:
        do("place", position="mount_a", item="thru")
    elif "Part the cables" in ask:
        do("place", position="near_end", item="yagi r2")
        do("place", position="mount_a", item="yagi r2")
    elif "Part the two cables" in ask:
        do("place", position="near_end", item="range dipole")
        do("place", position="mount_a", item="yagi r2")
    elif pair := re.search(r"Fit the (.*?) to the near end and the (.*?) to the mount", ask):
        do("place", position="near_end", item=pair[1])
        do("place", position="mount_a", item=pair[2])
    elif pair := re.search(r"Fit the (.*?) to (mount_\w) and the (.*?) to (mount_\w), ", ask):
        do("place", position=pair[2], item=pair[1])
        do("place", position=pair[4], item=pair[3])
    elif "Make eight marks" in ask:
        do("place", position="near_end", item="range dipole")
    else:
        raise UnknownRequest(f"{recipe}: {ask}")
