"""A sweep that refines, through the daemon: the same numbers from a quarter of the points."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import numpy as np

from tests.system.rigging import Daemon, Mosquitto, Simulator, ending, until

WIDER_AT_MOST = 1.2
"""How much wider than those of the whole sweep the intervals may be. Half-widths of two sweeps by
the same recipe differ by a few per cent: each refits curves with noise of its own."""

NAMES = ("resonance_frequency", "bandwidth_low_edge", "bandwidth_high_edge")


COMPARE = """
recipe: compare
title: One antenna with itself
parameters:
  first_job: {kind: text}
  second_job: {kind: text}
steps:
  - reduce: {kind: revision-comparison, first: dipole r3, second: dipole r3,
      first_job: $first_job, second_job: $second_job, quantity: resonance_frequency}
"""


def results_of(daemon: Daemon, job: str) -> dict[str, Any]:
    rows = daemon.http.get("/api/results", params={"job": job}).json()
    return {row["result"]["quantity"]: row["result"] for row in rows}


def captures_of(daemon: Daemon, job: str) -> list[dict[str, Any]]:
    found: list[dict[str, Any]] = daemon.http.get("/api/captures", params={"job": job}).json()
    return found


def test_a_refined_sweep_gives_resonance_and_edges_of_the_whole_one_from_a_quarter_of_its_points(
    daemon: Daemon, simulator: Simulator
) -> None:
    daemon.until_state(daemon.queue("open-short-baseline"), "done")
    whole, fewer = (daemon.queue(one) for one in ("return-loss", "return-loss-refined"))
    daemon.until_state(fewer, "done")
    first, second = results_of(daemon, whole), results_of(daemon, fewer)
    truth = simulator.do("truth")["truth"]["antennas"]["dipole r3"]["in_box"]
    true = dict(
        zip(
            NAMES,
            (truth[key] for key in ("resonance_hz", "band_low_hz", "band_high_hz")),
            strict=True,
        )
    )
    for name in NAMES:
        one, other = first[name], second[name]
        assert other["low"] <= true[name] <= other["high"], name
        assert abs(other["value"] - one["value"]) <= one["expanded_uncertainty"] / 4.0, name
        widths = [found["high"] - found["low"] for found in (one, other)]
        assert widths[1] <= WIDER_AT_MOST * widths[0], name
    assert "refined-in-part" not in second["resonance_frequency"]["flags"]
    grids = [
        np.array(daemon.http.get(f"/api/captures/{row['id']}/trace").json()[0]["frequency_hz"])
        for job in (whole, fewer)
        for row in captures_of(daemon, job)
    ]
    assert set(grids[1].tolist()) <= set(grids[0].tolist())
    assert grids[1].size <= -(-grids[0].size // 4)
    # The two sweeps of one antenna over one leak differ by noise alone, whatever their grids.
    compared = daemon.queue_text(COMPARE, first_job=whole, second_job=fewer)
    daemon.until_state(compared, "done")
    apart = results_of(daemon, compared)["resonance_frequency_difference"]
    assert apart["low"] <= 0.0 <= apart["high"]
    assert apart["high"] - apart["low"] <= 0.5 * (
        first["resonance_frequency"]["high"] - first["resonance_frequency"]["low"]
    )


SLOW = """
recipe: slow
title: A sweep that refines, slowly
sweeps:
  whole: {start: 1.6 GHz, stop: 1.8 GHz, points: 101, level: -10 dBm, resolution_bandwidth: 10 kHz}
  main: {start: 1.6 GHz, stop: 1.8 GHz, points: 101, level: -10 dBm, resolution_bandwidth: 10 kHz,
    dwell: 500 ms, refine: {to: 1 kHz, at_most_points: 101}}
steps:
  - repeat:
      over: {standard: [open, short]}
      steps:
        - capture: {name: $standard, role: $standard, route: middle, position: $standard,
            sweep: whole}
  - capture: {name: antenna, role: test, route: middle, position: antenna, antenna: dipole r3,
      sweep: main}
  - reduce: {kind: reflection, test: antenna, baseline: {open: open, short: short}}
"""


def refining_with_rf_on(daemon: Daemon, simulator: Simulator, job: str) -> bool:
    return daemon.job(job)["step_index"] == 2 and bool(simulator.do("state")["rf_on"])


def test_refused_without_a_baseline_off_when_withdrawn_and_begun_again_after_kill_9(
    tmp_path: Path, simulator: Simulator, mosquitto: Mosquitto
) -> None:
    first = Daemon(tmp_path, simulator, mosquitto.url)
    with ending(first):
        answer = first.http.post(
            "/api/jobs",
            json={"recipe": "return-loss-refined", "arguments": {"antenna": "dipole r3"}},
        )
        assert answer.status_code == 409, answer.text
        assert "there is no stored open capture of the route middle" in answer.text
        history = simulator.do("state")["instruments"]["generator"]["rf_history"]
        assert not any(is_on for _, is_on in history)

        job = first.queue_text(SLOW)
        until(lambda: refining_with_rf_on(first, simulator, job), "the refining sweep to radiate")
        assert first.http.post(f"/api/jobs/{job}/withdraw").status_code == 200
        first.until_state(job, "withdrawn")
        assert simulator.do("state")["rf_on"] is False

        again = first.queue_text(SLOW.replace("500 ms", "50 ms"))
        until(lambda: refining_with_rf_on(first, simulator, again), "the next one to radiate")
        first.kill()
    second = Daemon(tmp_path, simulator, mosquitto.url)
    with ending(second):
        done = second.until_state(again, "done")
        assert done["interruptions"] == 1
        # 1 kHz is more than the grid can give, and the job says so.
        assert "it refined in part: no other frequency of its grid would help" in done["message"]
        assert len(captures_of(second, again)) == 3
        assert results_of(second, again)["resonance_frequency"]["expanded_uncertainty"] > 0.0
        assert simulator.do("state")["rf_on"] is False
