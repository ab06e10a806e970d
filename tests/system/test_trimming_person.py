"""The simulated person of the demo: trims by the advice, and the report and plots tell of it."""

from __future__ import annotations

import json
import os
import subprocess
import sys
from pathlib import Path

from tests.patience import PATIENCE_S
from tests.system.rigging import PROGRAM, Daemon, Simulator, ending


def test_a_simulated_person_trims_until_a_look_says_stop(
    tmp_path: Path, simulator: Simulator
) -> None:
    daemon = Daemon(tmp_path, simulator, "none")
    with ending(daemon):
        answer = daemon.http.post("/api/trim", json={"antenna": "dipole r3", "looks": 9})
        job = answer.json()["id"]
        host, port = simulator.control
        ran = subprocess.run(
            [
                *(sys.executable, "-m", "simulators.trimming", "--pace", "0", "--job", job),
                *("--control", f"{host}:{port}", "--daemon", daemon.said["http"]),
            ],
            capture_output=True, text=True, timeout=PATIENCE_S, check=False,
        )  # fmt: skip
        assert ran.returncode == 0, ran.stderr
        filed_m = json.loads(ran.stdout.splitlines()[-1])["filed_m"]
        daemon.until_state(job, "done")
        looks = daemon.http.get(f"/api/jobs/{job}/trim").json()["looks"]
        assert len(looks) >= 2
        assert looks[-1]["results"]["trim_per_arm"]["state"] == "stop"
        said_m = sum(look["removed_m"] or 0.0 for look in looks)
        assert abs(said_m - filed_m) < 1e-9
        assert filed_m > 0.0
        # Its later looks were left out, and what was taken is drawn and told all the same.
        told = tmp_path / "r.html"
        done = subprocess.run(
            [*PROGRAM, "report", job, "--out", str(told)],
            env={**os.environ, "BENCHD_DAEMON": daemon.said["http"]}, capture_output=True,
            text=True, check=False,
        )  # fmt: skip
        assert done.returncode == 0, done.stderr
        text = told.read_text(encoding="utf-8")
        assert "<td>look 1</td>" in text
        assert "mm/MHz" in text
        assert text.count("<svg") >= len(looks)
        again = daemon.http.post(f"/api/jobs/{job}/reduce").json()
        stored = daemon.http.get("/api/results", params={"job": job}).json()
        assert len(again) == len(stored)
