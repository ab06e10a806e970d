"""kill -9 in the middle of everything: RF, captures, jobs and messages afterwards."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

import pytest

from tests.system.rigging import Daemon, Listener, Mosquitto, Simulator, ending, until

RECIPE = """
recipe: three-captures
title: Open, short and antenna in one job
on_interrupt: {on_interrupt}
sweeps:
  main: {{method: stepped, centre: 1.7 GHz, span: 500 MHz, points: 401, level: -10 dBm,
    resolution_bandwidth: 10 kHz, detector: rms, dwell: 2 ms}}
steps:
  - capture: {{name: open, role: open, route: middle, position: open, sweep: main}}
  - capture: {{name: short, role: short, route: middle, position: short, sweep: main}}
  - capture: {{name: antenna, role: test, route: middle, position: antenna, antenna: dipole r3,
      sweep: main}}
  - reduce: {{kind: reflection, test: antenna, baseline: {{open: open, short: short}}}}
"""


def in_second_capture(daemon: Daemon, simulator: Simulator, job: str) -> bool:
    return bool(daemon.job(job)["step_index"] == 1 and simulator.do("state")["rf_on"])


@pytest.fixture
def killed(
    tmp_path: Path,
    simulator: Simulator,
    mosquitto: Mosquitto,
    listener: Listener,
    request: pytest.FixtureRequest,
) -> Iterator[tuple[Daemon, str, int]]:
    """A daemon that was killed in its second sweep and started again; the job; captures before."""
    first = Daemon(tmp_path, simulator, mosquitto.url)
    with ending(first):
        job = first.queue_text(RECIPE.format(on_interrupt=request.param))
        until(lambda: in_second_capture(first, simulator, job), "the second sweep to radiate")
        first.kill()
    assert simulator.do("state")["rf_on"] is True, "kill -9 leaves the source as it was"
    sweeps_before = simulator.do("state")["instruments"]["analyzer"]["sweeps"]
    second = Daemon(tmp_path, simulator, mosquitto.url)
    with ending(second):
        yield second, job, sweeps_before


@pytest.mark.parametrize("killed", ["resume"], indirect=True)
def test_after_kill_9_rf_goes_off_first_and_the_job_resumes_after_its_last_capture(
    killed: tuple[Daemon, str, int], simulator: Simulator, listener: Listener
) -> None:
    daemon, job, _ = killed
    done = daemon.until_state(job, "done")
    assert done["interruptions"] == 1
    history = simulator.do("state")["instruments"]["generator"]["rf_history"]
    # On for open, off, on for short (killed there), off, on for short again, off, on, off.
    assert [is_on for _, is_on in history] == [
        False, True, False, True, False, True, False, True, False
    ]  # fmt: skip
    captures = daemon.http.get("/api/captures", params={"job": job}).json()
    assert sorted(capture["step"] for capture in captures) == ["antenna", "open", "short"]
    stored = daemon.http.get("/api/results", params={"job": job}).json()
    until(
        lambda: {r["id"] for r in stored} <= {m["result"] for m in listener.on("/result")},
        "every result to reach the subscriber",
    )


@pytest.mark.parametrize("killed", ["restart"], indirect=True)
def test_a_job_that_must_run_again_does_so_from_its_first_step(
    killed: tuple[Daemon, str, int],
) -> None:
    daemon, job, _ = killed
    daemon.until_state(job, "done")
    captures = daemon.http.get("/api/captures", params={"job": job}).json()
    names = sorted(capture["step"] for capture in captures)
    assert names == ["antenna", "open", "open", "short"], "the first capture is kept as well"


@pytest.mark.parametrize("killed", ["fail"], indirect=True)
def test_a_job_that_must_not_go_on_fails_and_keeps_its_captures(
    killed: tuple[Daemon, str, int], simulator: Simulator
) -> None:
    daemon, job, _ = killed
    failed = daemon.until_state(job, "failed")
    assert failed["error"]["family"] == "interrupted"
    captures = daemon.http.get("/api/captures", params={"job": job}).json()
    assert [capture["step"] for capture in captures] == ["open"]
    assert simulator.do("state")["rf_on"] is False


def test_results_committed_while_the_broker_is_down_arrive_when_it_is_back(
    daemon: Daemon, mosquitto: Mosquitto, listener: Listener
) -> None:
    until(lambda: listener.on("/presence"), "the daemon to be on the broker")
    mosquitto.stop()
    daemon.until_state(daemon.queue("open-short-baseline"), "done")
    job = daemon.queue("return-loss")
    daemon.until_state(job, "done")
    stored = daemon.http.get("/api/results", params={"job": job}).json()
    mosquitto.start()
    until(
        lambda: {r["id"] for r in stored} <= {m["result"] for m in listener.on("/result")},
        "the results to arrive after the broker came back",
    )
