"""The second half of the job end to end: brackets in time, absolute gains, comparison, budget.

The truth is the simulator's own; the person's hands are its control port.
"""

from __future__ import annotations

import os
import subprocess
import sys
from typing import Any

import numpy as np

from tests.patience import PATIENCE_S
from tests.system.rigging import Daemon, Listener, Simulator, until

AT = 1.7e9
ASKED = {
    "Take both": {"near_end": "nothing", "mount_a": "thru"},
    "range dipole to the near end and the reference": {
        "near_end": "range dipole", "mount_a": "reference dipole",
    },
    "range dipole to the near end and the yagi": {
        "near_end": "range dipole", "mount_a": "yagi r2",
    },
    "reference dipole to the near end": {"near_end": "reference dipole", "mount_a": "yagi r2"},
}  # fmt: skip


def results_of(daemon: Daemon, job: str) -> list[dict[str, Any]]:
    records = daemon.http.get("/api/results", params={"job": job}).json()
    return [{**record["result"], "id": record["id"]} for record in records]


def value(results: list[dict[str, Any]], quantity: str, antenna: str | None = None) -> Any:
    (found,) = [r for r in results if r["quantity"] == quantity and antenna in (None, r["antenna"])]
    return found


def truth_at(truth: dict[str, Any], antenna: str, key: str, at_hz: float = AT) -> float:
    one = truth["antennas"][antenna]
    return float(np.interp(at_hz, one["frequency_hz"], one[key]))


def test_a_return_loss_between_baselines_holds_in_the_box_and_in_free_space(
    daemon: Daemon, simulator: Simulator, listener: Listener
) -> None:
    mounted = daemon.queue("return-loss-between-baselines", points="101")
    free = daemon.queue("return-loss-between-baselines", points="101", free_space="yes")
    for job in (mounted, free):
        daemon.until_state(job, "done")
    truth = simulator.do("truth")["truth"]["antennas"]["dipole r3"]
    for job, where in ((mounted, truth["in_box"]), (free, truth)):
        found = results_of(daemon, job)
        loss = float(np.interp(AT, truth["frequency_hz"], where["return_loss_db"]))
        assert value(found, "return_loss")["low"] <= loss <= value(found, "return_loss")["high"]
        resonance = value(found, "resonance_frequency")
        assert resonance["low"] <= where["resonance_hz"] <= resonance["high"]
        assert [r["flags"] for r in found] == [[]] * len(found)


def answer(daemon: Daemon, simulator: Simulator, job: str) -> None:
    """Do what each request asks, until the job ends."""
    while True:
        state = daemon.until_state(job, "needs-hands", "done")
        if state["state"] == "done":
            return
        ask = state["hands"]["ask"]
        (what,) = [items for words, items in ASKED.items() if words in " ".join(ask.split())]
        for position, item in what.items():
            simulator.do("place", position=position, item=item)
        step = state["step_index"]
        daemon.http.post(f"/api/jobs/{job}/ready").raise_for_status()
        until(
            lambda step=step: daemon.job(job)["step_index"] != step or daemon.job(job)["ended_at"],
            "the job to go on",
        )


def test_three_unknown_antennas_get_their_gains(
    daemon: Daemon, simulator: Simulator, listener: Listener
) -> None:
    job = daemon.queue("gain-three-antennas", points="21")
    answer(daemon, simulator, job)
    found = results_of(daemon, job)
    truth = simulator.do("truth")["truth"]
    for antenna in ("range dipole", "reference dipole", "yagi r2"):
        result = value(found, "realised_gain", antenna)
        assert result["low"] <= truth_at(truth, antenna, "realised_gain_dbi") <= result["high"]


def test_two_antennas_are_compared_and_the_budget_can_be_read(
    daemon: Daemon, simulator: Simulator, listener: Listener
) -> None:
    """Yagi against reference dipole: 9.9 - 1.9 dBi, each measured between two references."""
    same = {"antenna": "reference dipole", "antenna_mount": "mount_a", "points": "21"}
    first = daemon.queue("gain-between-references", **same)
    second = daemon.queue("gain-between-references", antenna="yagi r2", points="21")
    for job in (first, second):
        daemon.until_state(job, "done")
    job = daemon.queue(
        "compare-revisions", quantity="realised_gain", first="reference dipole", second="yagi r2"
    )
    daemon.until_state(job, "done")
    difference = next(r for r in results_of(daemon, job) if r["frequency_hz"] == AT)
    truth = simulator.do("truth")["truth"]
    apart = truth_at(truth, "yagi r2", "realised_gain_dbi") - truth_at(
        truth, "reference dipole", "realised_gain_dbi"
    )
    assert difference["low"] <= apart <= difference["high"]
    assert difference["note"].startswith("The two differ.")

    shown = subprocess.run(
        [sys.executable, "-m", "benchd", "budget", difference["id"]],
        env={**os.environ, "BENCHD_DAEMON": daemon.said["http"]},
        capture_output=True, text=True, timeout=PATIENCE_S, check=True,
    ).stdout  # fmt: skip
    assert "scale between the two" in shown
    assert "Work on box first" in shown
    document = daemon.http.get(f"/api/results/{difference['id']}").json()
    shares = [line["share"] for line in document["result"]["budget"]["terms"]]
    assert abs(sum(shares) - 1.0) < 1e-9
