"""Sources that ignore an order, or say "off" and radiate, over real sockets and a real daemon."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import pytest

from tests.system.rigging import Daemon, Simulator, ending, until
from tests.system.test_broken_path import during_the_sweep

POINTS = "401"


def looks(simulator: Simulator, readings: int) -> None:
    """Wait until the analyzer has looked again, so many readings long."""
    before = simulator.do("state")["instruments"]["analyzer"]["sweeps"]
    until(
        lambda: simulator.do("state")["instruments"]["analyzer"]["sweeps"] >= before + readings,
        "the source to be looked at again",
    )


def failed(daemon: Daemon, job: str) -> dict[str, Any]:
    error: dict[str, Any] = daemon.until_state(job, "failed")["error"]
    return error


@pytest.mark.parametrize(("setting", "found"), [("level", "dBm"), ("frequency", "Hz")])
def test_a_source_that_ignores_a_setting_fails_the_step_before_rf_comes_on(
    daemon: Daemon, simulator: Simulator, setting: str, found: str
) -> None:
    simulator.do("disregard", instrument="generator", setting=setting)
    error = failed(daemon, daemon.queue("open-short-baseline", points=POINTS))
    assert error["family"] == "instrument-refused"
    assert f"the {setting} is not what was set: sent ':SOUR:" in error["message"]
    assert found in error["message"]
    assert "Look at its screen" in error["advice"]
    history = simulator.do("state")["instruments"]["generator"]["rf_history"]
    assert not any(is_on for _, is_on in history)
    simulator.do("obey", instrument="generator")
    daemon.until_state(daemon.queue("open-short-baseline", points=POINTS), "done")


@pytest.mark.parametrize("pretend", [False, True])
def test_a_source_that_sticks_at_a_frequency_during_the_sweep_makes_no_capture(
    daemon: Daemon, simulator: Simulator, pretend: bool
) -> None:
    job = daemon.queue("open-short-baseline", points=POINTS)
    during_the_sweep(simulator, 150)
    simulator.do("disregard", instrument="generator", setting="frequency", pretend=pretend)
    error = failed(daemon, job)
    assert error["family"] == ("path-broken" if pretend else "instrument-refused")
    captures = daemon.http.get("/api/captures", params={"job": job}).json()
    assert all("path-broken" in capture["flags"] for capture in captures)


def test_an_analyzer_that_stands_still_makes_no_good_capture(
    daemon: Daemon, simulator: Simulator
) -> None:
    simulator.do("freeze", instrument="analyzer", frozen=True)
    error = failed(daemon, daemon.queue("open-short-baseline", points=POINTS))
    assert error["family"] == "path-broken"
    assert "the analyzer repeats itself" in error["message"]
    simulator.do("freeze", instrument="analyzer", frozen=False)
    daemon.until_state(daemon.queue("open-short-baseline", points=POINTS), "done")
    job = daemon.queue("return-loss", points=POINTS)
    during_the_sweep(simulator, 60)
    simulator.do("freeze", instrument="analyzer", frozen=True)
    assert failed(daemon, job)["family"] == "path-broken"


def test_a_source_that_lies_about_off_ends_the_job_and_holds_the_bench(
    daemon: Daemon, simulator: Simulator
) -> None:
    job = daemon.queue("open-short-baseline", points=POINTS)
    during_the_sweep(simulator, 40)
    simulator.do("disregard", instrument="generator", setting="output", pretend=True)
    error = failed(daemon, job)
    assert error["family"] == "still-radiating"
    assert error["where"] == "generator"
    assert "Switch it off by hand" in error["advice"]
    # As weak as it can be while it cannot be off; raised for moments, to see whether it is.
    until(
        lambda: simulator.do("state")["instruments"]["generator"]["settings"]["level"] == -60.0,
        "the level to be at its lowest",
    )
    assert simulator.do("state")["rf_on"] is True
    # Nothing else is measured, and nobody is asked to reach in, until it is seen to be off: not
    # by its word, nor because the way to the analyzer is open.
    waiting = daemon.queue("open-short-baseline", points=POINTS)
    looks(simulator, 8)
    simulator.do("power-cycle", instrument="switch")
    looks(simulator, 8)
    assert daemon.job(waiting)["state"] == "waiting"
    assert simulator.do("state")["rf_on"] is True
    simulator.do("power-cycle", instrument="generator")
    daemon.until_state(waiting, "done")
    assert simulator.do("state")["rf_on"] is False


def test_a_source_that_lied_is_not_believed_by_the_next_daemon_either(
    simulator: Simulator, tmp_path: Path
) -> None:
    """kill -9 and a new start: RF is not verified, and nothing runs, until it is seen to be off."""
    first = Daemon(tmp_path, simulator, "none")
    with ending(first):
        job = first.queue("open-short-baseline", points=POINTS)
        during_the_sweep(simulator, 40)
        simulator.do("disregard", instrument="generator", setting="output", pretend=True)
        assert failed(first, job)["family"] == "still-radiating"
    second = Daemon(tmp_path, simulator, "none")
    with ending(second):
        looks(simulator, 8)
        assert second.http.get("/api/health").json()["rf"]["state"] == "not-verified"
        job = second.queue("open-short-baseline", points=POINTS)
        looks(simulator, 8)
        assert second.job(job)["state"] == "waiting"
        simulator.do("obey", instrument="generator")
        second.until_state(job, "done")
    third = Daemon(tmp_path, simulator, "none")
    with ending(third):
        until(
            lambda: third.http.get("/api/health").json()["rf"]["state"] == "off-verified",
            "a source that was seen off to be believed again",
        )
