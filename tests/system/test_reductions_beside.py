"""Reductions beside the next capture: nothing is lost, doubled or out of order, whatever ends it.

The reduction is that of a package from elsewhere. It waits until a file of its capture's name is
there, and then fails if the file says so; so a test decides what happens before what.
"""

from __future__ import annotations

import os
import signal
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest

from tests.system.rigging import Daemon, Listener, Mosquitto, Simulator, ending, until
from tests.system.test_foreign_reduction import install

CODE = '''
"""The highest level of a capture, once it may be told."""

import os, pathlib, time
from typing import Literal

import numpy as np
from pydantic import Field

from benchd.errors import ReductionRefused
from benchd.quantities import Quantity, Shown, add
from benchd.reductions import Outcome, Reduction, reduction
from benchd.reductions.outcome import finished
from benchd.results import Result

GATES = pathlib.Path(os.environ["GATES"])
add(Quantity("level_most", "dBm", "Highest level", ("gated",), shown=Shown.FIRST))


class Gated(Reduction):
    kind: Literal["gated"] = Field(description="gated")
    of: str = Field(description="capture to look at")

    def inputs(self):
        return {"of": (self.of,)}


@reduction(Gated)
def reduce_gated(settings, captures, known):
    taken = captures.named(settings.of)
    with (GATES / "begun").open("a") as begun:
        begun.write(f"{settings.of} {os.getpid()}\\\\n")
    gate = GATES / settings.of
    while not gate.exists():
        time.sleep(0.01)
    if gate.read_text() == "fail":
        raise ReductionRefused("the gate says no", where=captures.step)
    print("printed by a package from elsewhere")
    most = float(np.max(np.real(taken.level.values)))
    return finished(None, [taken], [Result("level_most", most, "dBm", None, None)], [])
'''.replace("\\\\n", "\\n")

NAMES = ("one", "two", "three")


def recipe(points: int = 21) -> str:
    """Three captures, each followed by its reduction; limits at the end. points: of all captures
    but the first."""
    steps = "".join(
        f"  - capture: {{name: {name}, role: open, route: middle, position: open, "
        f"sweep: {'first' if name == 'one' else 'rest'}}}\n"
        f"  - reduce: {{name: of-{name}, kind: gated, of: {name}}}\n"
        for name in NAMES
    )
    sweeps = "".join(
        f"  {name}: {{method: stepped, centre: 1.7 GHz, span: 100 MHz, points: {count},\n"
        "    level: -10 dBm, resolution_bandwidth: 10 kHz, dwell: 1 ms}\n"
        for name, count in (("first", 21), ("rest", points))
    )
    return (
        f"recipe: beside\ntitle: Reductions beside captures\nsweeps:\n{sweeps}steps:\n{steps}"
        "  - accept: [{quantity: level_most, most: 60 dBm}]\n"
    )


@pytest.fixture
def gates(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """Where the files of the captures appear; for processes that are started from now on."""
    packages, gates = tmp_path / "packages", tmp_path / "gates"
    gates.mkdir()
    install(packages, CODE)
    monkeypatch.setenv("PYTHONPATH", f"{packages}{os.pathsep}{os.environ.get('PYTHONPATH', '')}")
    monkeypatch.setenv("GATES", str(gates))
    return gates


@pytest.fixture
def daemon(tmp_path: Path, gates: Path, simulator: Simulator) -> Iterator[Daemon]:
    running = Daemon(tmp_path, simulator, "none")
    with ending(running):
        yield running


def begun(gates: Path) -> list[tuple[str, int]]:
    """Name of the capture and process, for every reduction that was begun."""
    if not (gates / "begun").exists():
        return []
    lines = (gates / "begun").read_text().splitlines()
    return [(name, int(pid)) for name, pid in (line.split() for line in lines)]


def captured(daemon: Daemon, job: str) -> list[str]:
    """Names of the stored captures, oldest first."""
    rows = daemon.http.get("/api/captures", params={"job": job}).json()
    return [row["step"] for row in reversed(rows)]


def reduced(daemon: Daemon, job: str) -> list[str]:
    """Names of the reductions whose results are stored, oldest first."""
    rows = daemon.http.get("/api/results", params={"job": job}).json()
    return [row["step"] for row in reversed(rows)]


def killed_with_a_reduction_under_way(daemon: Daemon, gates: Path) -> str:
    """Kill the daemon when all is captured, one capture is reduced, and a second is being reduced;
    the job."""
    job = daemon.queue_text(recipe())
    until(lambda: "three" in captured(daemon, job), "the captures to go on beside a reduction")
    until(lambda: reduced(daemon, job) == ["of-one"], "the first reduction to be committed")
    until(lambda: [name for name, _ in begun(gates)] == ["one", "two"], "the second to begin")
    processes = {pid for _, pid in begun(gates)}
    assert daemon.popen.pid not in processes, "nothing is reduced in the daemon meanwhile"
    daemon.kill()
    for pid in processes:
        until(lambda pid=pid: not Path(f"/proc/{pid}").exists(), "the reducing process to end")
    return job


def test_after_kill_9_captures_are_reduced_that_were_not_and_no_reduction_comes_twice(
    tmp_path: Path, gates: Path, simulator: Simulator, mosquitto: Mosquitto, listener: Listener
) -> None:
    (gates / "one").write_text("go")
    daemon = Daemon(tmp_path, simulator, mosquitto.url)
    with ending(daemon):
        job = killed_with_a_reduction_under_way(daemon, gates)
    for name in NAMES:
        (gates / name).write_text("go")
    again = Daemon(tmp_path, simulator, mosquitto.url)
    with ending(again):
        again.until_state(job, "done")
        assert captured(again, job) == list(NAMES), "none is taken again"
        assert reduced(again, job) == ["of-one", "of-two", "of-three"]
        (verdict,) = again.http.get(f"/api/jobs/{job}/verdicts").json()
        assert verdict["quantity"] == "level_most"
        stored = again.http.get("/api/results", params={"job": job}).json()
        told = until(
            lambda: (
                len({one["result"] for one in listener.on("/result")}) == 3
                and listener.on("/result")
            ),
            "all results at the subscriber",
        )
    numbers = {one["result"]: one["sequence"] for one in told}
    assert [row["id"] for row in reversed(stored)] == sorted(numbers, key=numbers.__getitem__)
    sequence = {one["sequence"] for _, one in listener.messages if "sequence" in one}
    assert sequence == set(range(max(sequence) + 1)), "no gaps"


def reducing_and_radiating(gates: Path, daemon: Daemon, simulator: Simulator) -> str:
    """A job whose first reduction runs while its second capture has RF on; its id."""
    job = daemon.queue_text(recipe(points=2001))
    until(lambda: begun(gates), "the first reduction to begin")
    until(
        lambda: daemon.job(job)["step_index"] == 2 and simulator.do("state")["rf_on"],
        "the second capture to radiate",
    )
    return job


def test_a_reduction_that_fails_ends_the_job_with_rf_off_and_keeps_its_capture(
    gates: Path, daemon: Daemon, simulator: Simulator
) -> None:
    job = reducing_and_radiating(gates, daemon, simulator)
    (gates / "one").write_text("fail")
    failed = until(
        lambda: (row := daemon.job(job))["state"] == "failed" and row, "the job to end as failed"
    )
    assert failed["error"]["family"] == "reduction-refused"
    assert "the gate says no" in failed["message"]
    assert simulator.do("state")["rf_on"] is False
    assert captured(daemon, job) == ["one"], "the second was broken off"
    assert reduced(daemon, job) == []
    (gates / "one").write_text("go")
    again: Any = daemon.http.post(f"/api/jobs/{job}/reduce").json()
    assert [one["result"]["quantity"] for one in again] == ["level_most"]


def test_withdrawn_while_a_reduction_runs_rf_goes_off_first_and_what_was_measured_is_reduced(
    gates: Path, daemon: Daemon, simulator: Simulator
) -> None:
    job = reducing_and_radiating(gates, daemon, simulator)
    daemon.http.post(f"/api/jobs/{job}/withdraw")
    until(lambda: not simulator.do("state")["rf_on"], "RF to go off")
    (gates / "one").write_text("go")
    until(lambda: daemon.job(job)["state"] == "withdrawn", "the job to be withdrawn")
    assert captured(daemon, job) == ["one"]
    assert [name for name, _ in begun(gates)] == ["one"]


def test_where_the_reducing_process_is_killed_the_daemon_reduces_itself(
    gates: Path, daemon: Daemon
) -> None:
    job = daemon.queue_text(recipe())
    until(lambda: begun(gates), "the first reduction to begin")
    ((_, pid),) = begun(gates)
    os.kill(pid, signal.SIGKILL)
    for name in NAMES:
        (gates / name).write_text("go")
    daemon.until_state(job, "done")
    assert reduced(daemon, job) == ["of-one", "of-two", "of-three"]
    assert ("one", daemon.popen.pid) in begun(gates)
