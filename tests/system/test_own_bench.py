"""As a new user would: a bench of one's own at 868 MHz, a dipole trimmed in three rounds.

Nothing is restarted and no recipe is edited. What is measured is held against the truth of the
virtual bench, whose formulas are apart from those of benchd.
"""

from __future__ import annotations

import json
import os
import subprocess
from pathlib import Path
from typing import Any

from tests.patience import PATIENCE_S
from tests.system.own_bench import ARMS_MM, bench_file, world_file
from tests.system.rigging import PROGRAM, Daemon, Simulator, ending


def benchd(daemon: Daemon, *arguments: str) -> subprocess.CompletedProcess[str]:
    """A command of the user's, on a computer in another time zone than the bench."""
    environ = {**os.environ, "BENCHD_DAEMON": daemon.said["http"], "TZ": "Asia/Tokyo"}
    return subprocess.run(
        [*PROGRAM, *arguments],
        capture_output=True,
        text=True,
        env=environ,
        timeout=PATIENCE_S,
        check=False,
    )


def said(daemon: Daemon, *arguments: str) -> str:
    done = benchd(daemon, *arguments)
    assert done.returncode == 0, done.stderr
    return done.stdout


def by_quantity(daemon: Daemon, job: str) -> dict[str, Any]:
    records = daemon.http.get("/api/results", params={"job": job}).json()
    return {record["result"]["quantity"]: record["result"] for record in records}


def queued(daemon: Daemon, *arguments: str) -> str:
    job: str = json.loads(said(daemon, "queue", *arguments, "--json"))["id"]
    return job


def test_a_dipole_is_trimmed_in_three_rounds_without_restarting_anything(tmp_path: Path) -> None:
    simulator = Simulator(tmp_path, str(world_file(tmp_path)))
    with ending(simulator):
        daemon = Daemon(tmp_path, simulator, "none", bench=bench_file(tmp_path))
        with ending(daemon):
            pid = daemon.popen.pid
            said(
                daemon, "antenna", "add", "quarter r1", "--type", "dipole", "--arm", "84 mm",
                "--design-frequency", "868 MHz", "--largest-dimension", "170 mm",
                "--set", "diameter=1 mm", "--set", "arm_uncertainty=0.1 mm",
            )  # fmt: skip
            daemon.until_state(queued(daemon, "open-short-baseline", "-p", "points=101"), "done")
            trims = []
            for before, name in zip(["", *ARMS_MM], ARMS_MM, strict=False):
                if before:
                    arm = f"{ARMS_MM[name]} mm"
                    said(daemon, "antenna", "add", name, "--from", before, "--arm", arm)
                simulator.do("place", position="middle", item=name)
                job = queued(daemon, "return-loss", "-p", f"antenna={name}", "-p", "points=101")
                daemon.until_state(job, "done")
                found = by_quantity(daemon, job)
                truth = simulator.do("truth")["truth"]["antennas"][name]
                resonance = found["resonance_frequency"]
                assert resonance["low"] <= truth["in_box"]["resonance_hz"] <= resonance["high"]
                assert found["return_loss"]["frequency_hz"] == 868e6
                assert found["return_loss"]["antenna"] == name
                trims.append(found["trim_per_arm"]["value"])
            assert trims[0] > trims[1] > trims[2]
            assert daemon.popen.poll() is None
            assert daemon.popen.pid == pid
            shown = said(daemon, "antenna", "list")
            assert all(name in shown for name in ARMS_MM)
            assert "81.4 mm" in said(daemon, "antenna", "show", "quarter r3")
            # Told in the zone of the bench, however far away its user is.
            assert "Europe/Vienna" in said(daemon, "jobs")
        register = (tmp_path / "antennas.yaml").read_text()
    places = [register.index(f"  {name}:") for name in ARMS_MM]
    assert places == sorted(places)


def test_without_an_antenna_the_user_is_told_which_there_are(tmp_path: Path) -> None:
    simulator = Simulator(tmp_path, str(world_file(tmp_path)))
    with ending(simulator):
        daemon = Daemon(tmp_path, simulator, "none", bench=bench_file(tmp_path))
        with ending(daemon):
            done = benchd(daemon, "queue", "return-loss")
            assert done.returncode == 1
            assert 'parameter "antenna": has no default and must be given' in done.stderr
            assert "house dipole" in done.stderr
            assert daemon.http.get("/api/jobs").json() == []
