"""A spoiled database on a real daemon: what it costs, who says so, and that RF goes off first."""

from __future__ import annotations

import os
import socket
import sqlite3
import subprocess
import sys
from pathlib import Path
from typing import Any

import pytest

from tests.patience import PATIENCE_S
from tests.system.rigging import BENCH, Daemon, Simulator, ending
from tests.system.test_orders_kept import QUICK


def damage(folder: Path, statement: str) -> None:
    other = sqlite3.connect(folder / "data" / "benchd.sqlite")
    with other:
        assert other.execute(statement).rowcount == 1
    other.close()


def leave_rf_on(simulator: Simulator) -> None:
    """As somebody else's program, or a daemon that was killed, may leave it."""
    host, port = simulator.addresses["generator"].split("::")[1:3]
    with socket.create_connection((host, int(port)), timeout=PATIENCE_S) as link:
        link.sendall(b":OUTP:STAT ON\n*OPC?\n")
        assert link.recv(10).startswith(b"1")
    assert simulator.do("state")["rf_on"]


def failed_start(folder: Path, simulator: Simulator) -> subprocess.CompletedProcess[str]:
    """A start that is expected to end by itself."""
    given = [f"--address={name}={place}" for name, place in simulator.addresses.items()]
    command = ["serve", "--bench", str(BENCH), "--data", str(folder / "data")]
    return subprocess.run(
        [sys.executable, "-m", "benchd", *command, "--http", "127.0.0.1:0", "--broker", "none",
         *given],
        capture_output=True, text=True, check=False, timeout=PATIENCE_S,
    )  # fmt: skip


def test_one_damaged_row_costs_itself_and_is_named_everywhere(
    tmp_path: Path, simulator: Simulator
) -> None:
    with ending(daemon := Daemon(tmp_path, simulator, "none")):
        jobs = [daemon.queue_text(QUICK) for _ in range(3)]
        for job in jobs:
            daemon.until_state(job, "done")
        daemon.stop()
    other = sqlite3.connect(tmp_path / "data" / "benchd.sqlite")
    (spoiled,) = other.execute("SELECT id FROM captures WHERE job_id = ?", (jobs[1],)).fetchone()
    other.close()
    damage(tmp_path, f"UPDATE captures SET role = 'short' WHERE id = '{spoiled}'")
    with ending(daemon := Daemon(tmp_path, simulator, "none")):
        answer = daemon.http.get("/api/captures")
        assert {one["job_id"] for one in answer.json()} == {jobs[0], jobs[2]}
        assert f"capture {spoiled} is damaged and left out" in answer.headers["x-benchd-damaged"]
        found: dict[str, Any] = daemon.http.get("/api/health").json()
        assert [one.partition(":")[0] for one in found["damaged"]] == [
            f"capture {spoiled} is damaged and left out"
        ]
        shown = subprocess.run(
            [sys.executable, "-m", "benchd", "health", "--daemon", daemon.said["http"]],
            capture_output=True, text=True, check=False,
        )  # fmt: skip
        assert f"capture {spoiled} is damaged and left out" in shown.stdout
        again = daemon.queue_text(QUICK)
        daemon.until_state(again, "done")


@pytest.mark.parametrize("what", ["emptied", "gone", "damaged", "a pipe"])
def test_a_database_that_is_none_any_more_ends_the_start_with_rf_off_and_words(
    tmp_path: Path, simulator: Simulator, what: str
) -> None:
    """RF was left on by whoever ran before. It is off when the start has failed."""
    with ending(daemon := Daemon(tmp_path, simulator, "none")):
        daemon.until_state(daemon.queue_text(QUICK), "done")
        daemon.stop()
    place = tmp_path / "data" / "benchd.sqlite"
    content = place.read_bytes()
    place.unlink()
    if what == "emptied":
        place.write_bytes(b"")
    elif what == "damaged":
        place.write_bytes(content[:8192] + b"\xa5" * (len(content) - 8192))
    elif what == "a pipe":
        os.mkfifo(place)
    leave_rf_on(simulator)
    done = failed_start(tmp_path, simulator)
    assert (done.returncode, done.stdout) == (1, "")
    said = {
        "emptied": "a database was kept here, and now it is empty: this is no new bench",
        "gone": "a database was kept here, and now it is gone: this is no new bench",
        "damaged": "this is not a sound database",
        "a pipe": "the database is no regular file",
    }
    assert said[what] in done.stderr
    assert "Traceback" not in done.stderr
    assert not simulator.do("state")["rf_on"]
    if what == "damaged":
        assert place.read_bytes()[8192:] == b"\xa5" * (len(content) - 8192)


def test_what_the_daemon_keeps_is_its_owners_alone(tmp_path: Path, simulator: Simulator) -> None:
    before = os.umask(0)
    try:
        daemon = Daemon(tmp_path, simulator, "none")
    finally:
        os.umask(before)
    with ending(daemon):
        daemon.until_state(daemon.queue_text(QUICK), "done")
        folder = tmp_path / "data"
        assert folder.stat().st_mode & 0o777 == 0o700
        open_to_others = {
            path.name: oct(path.stat().st_mode & 0o777)
            for path in folder.iterdir()
            if path.name.startswith("benchd.sqlite") and path.stat().st_mode & 0o077
        }
        assert open_to_others == {}
