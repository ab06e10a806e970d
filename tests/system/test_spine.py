"""The main job end to end: what a stranger reads from the broker, against the virtual truth.

The simulator's truth is worked out by other formulas in another tower of the house; the daemon
never sees it. The independent client is paho-mqtt, the broker Mosquitto.
"""

from __future__ import annotations

from typing import Any

import numpy as np

from tests.system.rigging import Daemon, Listener, Simulator, until


def value_of(results: list[dict[str, Any]], quantity: str, at_hz: float | None = None) -> Any:
    """The published result of a quantity (and frequency)."""
    found = [
        result
        for result in results
        if result["quantity"] == quantity and (at_hz is None or result["frequency_hz"] == at_hz)
    ]
    assert len(found) == 1, f"{quantity}: {len(found)} results"
    return found[0]


def holds(result: dict[str, Any], truth: float) -> bool:
    """Whether the published 95 % interval holds the truth."""
    return bool(result["low"] <= truth <= result["high"])


def test_recipes_run_hands_off_and_a_stranger_reads_results_that_hold_the_truth(
    daemon: Daemon, simulator: Simulator, listener: Listener
) -> None:
    jobs = [
        daemon.queue("open-short-baseline"),
        daemon.queue("return-loss", antenna="dipole r3"),
        daemon.queue("match-over-band", antenna="dipole r3"),
        daemon.queue("gain-pair-by-switch", antenna="yagi r2", reference="reference dipole"),
    ]
    for job in jobs:
        daemon.until_state(job, "done")
    stored = daemon.http.get("/api/results", params={"limit": 1000}).json()
    results = until(
        lambda: found if len(found := listener.on("/result")) >= len(stored) else None,
        "every result to reach the subscriber",
    )
    truth = simulator.do("truth")["truth"]

    dipole = [
        result
        for result in results
        if (result["antenna"], result["recipe"]) == ("dipole r3", "return-loss")
    ]
    in_box = truth["antennas"]["dipole r3"]["in_box"]
    frequency_hz = np.array(truth["antennas"]["dipole r3"]["frequency_hz"])
    true_return_loss = float(np.interp(1.7e9, frequency_hz, in_box["return_loss_db"]))
    assert holds(value_of(dipole, "resonance_frequency"), in_box["resonance_hz"])
    assert holds(value_of(dipole, "return_loss", 1.7e9), true_return_loss)
    gamma = 10.0 ** (-true_return_loss / 20.0)
    assert holds(value_of(dipole, "vswr", 1.7e9), (1.0 + gamma) / (1.0 - gamma))
    assert holds(value_of(dipole, "bandwidth"), in_box["band_high_hz"] - in_box["band_low_hz"])
    # The arms are 2.4 % too long for 1.7 GHz: advice must say "remove", within what is true.
    true_trim_m = 41.8e-3 * (1.0 - in_box["resonance_hz"] / 1.7e9)
    assert holds(value_of(dipole, "trim_per_arm"), true_trim_m)

    yagi = [result for result in results if result["antenna"] == "yagi r2"]
    free = truth["antennas"]["yagi r2"]
    true_gain = float(np.interp(1.7e9, free["frequency_hz"], free["realised_gain_dbi"]))
    gain = next(r for r in yagi if r["quantity"] == "realised_gain" and r["frequency_hz"] == 1.7e9)
    assert holds(gain, true_gain)

    for result in results:
        assert result["expanded_uncertainty"] is None or result["expanded_uncertainty"] > 0.0
        assert result["captures"], "every result names the captures it came from"
    readings = {topic: told for topic, told in listener.messages if "/reading/" in topic}
    flat = "benchd/workshop/reading/yagi r2/realised_gain/dBi"
    assert abs(readings[flat] - gain["value"]) <= gain["expanded_uncertainty"], readings
    assert gain["text"].startswith(f"{readings[flat]:.1f} dBi, ")
    events = [told for topic, told in listener.messages if topic not in readings]
    sequences = [told["sequence"] for told in events if "previous" in told]
    assert sequences == sorted(set(sequences)), "in order, none twice"
    assert listener.on("/presence")[-1]["state"] == "online"


def test_the_worst_match_over_a_band_is_held_against_its_limits(
    daemon: Daemon, simulator: Simulator
) -> None:
    """The dipole is matched best below its band: the worst is at the band's upper end."""
    daemon.until_state(daemon.queue("open-short-baseline"), "done")
    job = daemon.queue("match-over-band", antenna="dipole r3", worst_return_loss="14 dB")
    daemon.until_state(job, "done")
    rows = daemon.http.get("/api/results", params={"job": job}).json()
    found = {row["result"]["quantity"]: row["result"] for row in rows}
    truth = simulator.do("truth")["truth"]["antennas"]["dipole r3"]
    band = found["worst_return_loss"]["band_hz"]
    inside_hz = np.linspace(*band, 401)
    losses = np.interp(inside_hz, truth["frequency_hz"], truth["in_box"]["return_loss_db"])
    true_db = float(losses.min())
    gamma = 10.0 ** (-true_db / 20.0)
    assert holds(found["worst_return_loss"], true_db)
    assert holds(found["worst_vswr"], (1.0 + gamma) / (1.0 - gamma))
    verdicts = daemon.http.get(f"/api/jobs/{job}/verdicts").json()
    assert [(one["quantity"], one["outcome"]) for one in verdicts] == [
        ("worst_return_loss", "fail"),
        ("worst_vswr", "pass"),
    ]


def test_rf_is_never_on_outside_a_sweep_and_nothing_was_overdriven(
    daemon: Daemon, simulator: Simulator
) -> None:
    job = daemon.queue("open-short-baseline")
    daemon.until_state(job, "done")
    state = simulator.do("state")
    history = state["instruments"]["generator"]["rf_history"]
    assert [is_on for _, is_on in history] == [False, True, False, True, False]
    assert state["instruments"]["analyzer"]["damage"] == 0
    assert state["instruments"]["switch"]["hot_operations"] == 0


def test_stopping_the_daemon_in_a_sweep_leaves_rf_off_and_says_offline(
    daemon: Daemon, simulator: Simulator, listener: Listener
) -> None:
    daemon.queue("open-short-baseline", points="2001")
    until(lambda: simulator.do("state")["rf_on"], "the sweep to radiate")
    assert daemon.stop() == 0
    assert simulator.do("state")["rf_on"] is False
    until(lambda: listener.on("/presence")[-1]["state"] == "offline", "the farewell")


def test_a_job_by_hand_waits_with_rf_off_until_the_person_says_ready(
    daemon: Daemon, simulator: Simulator
) -> None:
    job = daemon.queue("gain-pair-by-swap")
    for item in ("reference dipole", "yagi r2"):
        waiting = daemon.until_state(job, "needs-hands")
        assert item in waiting["hands"]["ask"]
        assert simulator.do("state")["rf_on"] is False
        simulator.do("place", position="mount_a", item=item)
        assert daemon.http.post(f"/api/jobs/{job}/ready").status_code == 200
        until(
            lambda asked=waiting: daemon.job(job)["step_index"] > asked["step_index"],
            "the job to go on",
        )
    daemon.until_state(job, "done")


def test_a_withdrawn_sweep_stops_at_once_with_rf_off(daemon: Daemon, simulator: Simulator) -> None:
    job = daemon.queue("open-short-baseline", points="5001")
    until(lambda: simulator.do("state")["rf_on"], "the sweep to radiate")
    daemon.http.post(f"/api/jobs/{job}/withdraw")
    daemon.until_state(job, "withdrawn")
    assert simulator.do("state")["rf_on"] is False


def test_an_opened_lid_stops_the_sweep_and_rf(daemon: Daemon, simulator: Simulator) -> None:
    job = daemon.queue("open-short-baseline", points="5001")
    until(lambda: simulator.do("state")["rf_on"], "the sweep to radiate")
    simulator.do("lid", open=True)
    failed = daemon.until_state(job, "failed")
    assert failed["error"]["family"] == "lid-open"
    assert simulator.do("state")["rf_on"] is False


def test_reducing_stored_captures_again_gives_the_same_numbers(daemon: Daemon) -> None:
    daemon.until_state(daemon.queue("open-short-baseline"), "done")
    job = daemon.queue("return-loss")
    daemon.until_state(job, "done")
    stored = daemon.http.get("/api/results", params={"job": job}).json()
    # A newer baseline must not change what an older capture is reduced against.
    daemon.until_state(daemon.queue("open-short-baseline"), "done")
    again = daemon.http.post(f"/api/jobs/{job}/reduce").json()
    by_id = {record["id"]: record["result"] for record in again}
    assert {record["id"]: record["result"] for record in stored} == by_id
