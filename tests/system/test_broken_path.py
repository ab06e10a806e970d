"""A path that breaks during a capture: no number of it may pass a limit."""

from __future__ import annotations

import re
import socket
from typing import Any

import pytest

from tests.system.rigging import PATIENCE_S, Daemon, Simulator, until

POINTS = "201"


def during_the_sweep(simulator: Simulator, points: int) -> None:
    """Wait until the analyzer has read so many points since now."""
    before = simulator.do("state")["instruments"]["analyzer"]["sweeps"]

    def read() -> bool:
        state = simulator.do("state")["instruments"]["analyzer"]
        return bool(state["sweeps"] >= before + points)

    until(read, f"{points} points to be read")


def antenna_job(daemon: Daemon, **arguments: str) -> str:
    """Baselines first, then the antenna, of which nothing was measured yet."""
    daemon.until_state(daemon.queue("open-short-baseline", points=POINTS, **arguments), "done")
    return daemon.queue("return-loss", points=POINTS, **arguments)


def failed_as_broken(daemon: Daemon, job: str) -> dict[str, Any]:
    row = daemon.until_state(job, "failed")
    assert row["error"]["family"] == "path-broken", row["error"]
    assert daemon.http.get("/api/results", params={"job": job}).json() == []
    (capture,) = daemon.http.get("/api/captures", params={"job": job}).json()
    assert "path-broken" in capture["flags"]
    return dict(row["error"])


@pytest.mark.parametrize("after", [0, 70])
def test_a_sense_cable_that_is_pulled_off_ends_the_job(
    daemon: Daemon, simulator: Simulator, after: int
) -> None:
    daemon.until_state(daemon.queue("open-short-baseline", points=POINTS), "done")
    if after == 0:
        simulator.do("pull", cable="sense_cable")
        job = daemon.queue("return-loss", points=POINTS)
    else:
        job = daemon.queue("return-loss", points=POINTS)
        during_the_sweep(simulator, after)
        simulator.do("pull", cable="sense_cable")
    error = failed_as_broken(daemon, job)
    assert "sense_cable" in error["advice"]
    # Plugged in again, the same recipe is good, and the broken capture is not in its way.
    simulator.do("plug", cable="sense_cable")
    daemon.until_state(daemon.queue("return-loss", points=POINTS), "done")
    assert simulator.do("state")["rf_on"] is False


def test_a_broken_capture_serves_as_no_baseline(daemon: Daemon, simulator: Simulator) -> None:
    simulator.do("pull", cable="sense_cable")
    job = daemon.queue("open-short-baseline", points=POINTS)
    error = failed_as_broken(daemon, job)
    assert "the path itself gives about" in error["message"]
    simulator.do("plug", cable="sense_cable")
    arguments = {"antenna": "dipole r3", "points": POINTS}
    answer = daemon.http.post("/api/jobs", json={"recipe": "return-loss", "arguments": arguments})
    assert answer.status_code >= 400
    assert "there is no stored open capture" in answer.json()["message"]


def test_a_switch_that_loses_power_during_the_sweep_makes_no_result(
    daemon: Daemon, simulator: Simulator
) -> None:
    job = antenna_job(daemon)
    during_the_sweep(simulator, 70)
    simulator.do("power-cycle", instrument="switch")
    # Its link is lost with it: the whole sweep is taken again, with the switch set anew.
    daemon.until_state(job, "done")
    (capture,) = daemon.http.get("/api/captures", params={"job": job}).json()
    assert capture["flags"] == []
    assert simulator.do("state")["instruments"]["switch"]["closed"] != []


def test_at_so_little_power_that_noise_may_be_the_antenna_nothing_passes(
    daemon: Daemon, simulator: Simulator
) -> None:
    """At -50 dBm the noise lies where a good coupler's leak might: the path is not proven
    broken, and the verdict says that it cannot tell."""
    daemon.until_state(daemon.queue("open-short-baseline", points=POINTS, level="-50 dBm"), "done")
    simulator.do("pull", cable="sense_cable")
    job = daemon.queue("return-loss", points=POINTS, level="-50 dBm")
    daemon.until_state(job, "done")
    results = daemon.http.get("/api/results", params={"job": job}).json()
    assert all("no-noise-margin" in one["result"]["flags"] for one in results)
    verdicts = daemon.http.get(f"/api/jobs/{job}/verdicts").json()
    assert [one["outcome"] for one in verdicts] == ["cannot-tell"]


def test_a_switch_whose_contacts_opened_during_the_sweep_is_found_by_asking_it(
    daemon: Daemon, simulator: Simulator
) -> None:
    """Its link stands all the while: only its answer after the sweep tells. Opened by a second
    client, so that the readings of the port are those of an open throw with no cable behind it."""
    job = antenna_job(daemon)
    during_the_sweep(simulator, 70)
    host, port = re.findall(r"TCPIP::([\d.]+)::(\d+)::SOCKET", simulator.addresses["switch"])[0]
    with socket.create_connection((host, int(port)), timeout=PATIENCE_S) as line:
        line.sendall(b":ROUT:OPEN (@204)\n*OPC?\n")
        assert line.recv(64).strip() == b"1"
    error = failed_as_broken(daemon, job)
    assert "channels [204] are open, which were closed before it" in error["message"]
    assert "power and the cable of the switch" in error["advice"]
