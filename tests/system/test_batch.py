"""A batch on a real daemon: each job asks for its number, after kill -9 too; results carry it."""

from __future__ import annotations

import json
import os
import subprocess
from pathlib import Path

from tests.system.rigging import PROGRAM, Daemon, Listener, Mosquitto, Simulator, ending, until


def benchd(daemon: Daemon, *arguments: str) -> str:
    """Run a command against the daemon; its stdout."""
    environment = {**os.environ, "BENCHD_DAEMON": daemon.said["http"]}
    done = subprocess.run([*PROGRAM, *arguments], env=environment, capture_output=True, text=True)
    assert done.returncode == 0, done.stderr
    return done.stdout


def answer(daemon: Daemon, job_id: str, number: str) -> None:
    """Answer the request for that number, as soon as the job makes it."""

    def taken() -> bool:
        asking = daemon.until_state(job_id, "needs-hands")
        assert f"dipole r3, serial number {number}" in asking["hands"]["ask"]
        assert asking["serial"] == number
        step = {"step": asking["hands"]["step"]}
        # Right after a start the store still tells of the request that ended with the last one.
        done = daemon.http.post(f"/api/jobs/{job_id}/ready", params=step)
        return bool(done.status_code == 200)

    until(taken, f"the answer for {number} to be taken")


def test_each_number_is_asked_for_and_its_results_carry_it(
    tmp_path: Path, simulator: Simulator, mosquitto: Mosquitto, listener: Listener
) -> None:
    first = Daemon(tmp_path, simulator, mosquitto.url)
    with ending(first):
        first.until_state(first.queue("open-short-baseline", points="21"), "done")
        queued = json.loads(
            benchd(
                first, "batch", "return-loss", "--antenna", "dipole r3", "--serials", "001-002",
                "-p", "points=21", "--json",
            )
        )  # fmt: skip
        ids = [job["id"] for job in queued]
        asking = first.until_state(ids[0], "needs-hands")
        assert "dipole r3, serial number 001" in asking["hands"]["ask"]
        history = simulator.do("state")["instruments"]["generator"]["rf_history"]
        assert history[-1][1] is False
        first.kill()
    second = Daemon(tmp_path, simulator, mosquitto.url)
    with ending(second):
        for job_id, number in zip(ids, ("001", "002"), strict=True):
            answer(second, job_id, number)
            second.until_state(job_id, "done")
        records = second.http.get("/api/results", params={"job": ids[1]}).json()
        assert {record["bindings"]["serial"] for record in records} == {"002"}
        assert {record["result"]["antenna"] for record in records} == {"dipole r3"}
        found = json.loads(benchd(second, "batch-table", queued[0]["batch"], "--json"))
        assert [(row["serial"], row["outcome"]) for row in found["rows"]] == [
            ("001", "pass"), ("002", "pass"),
        ]  # fmt: skip
        (column,) = found["spread"]
        assert (column["quantity"], column["measured"], column["failed"]) == ("return_loss", 2, 0)
        told = [one for one in listener.on(f"/job/{ids[1]}") if one["state"] == "needs-hands"]
        assert {one["serial"] for one in told} == {"002"}
