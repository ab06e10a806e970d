"""A power meter in the place of the analyzer: recipes end to end against the virtual truth, zeroing
with RF off, and a source that lies."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from tests.system.rigging import REPOSITORY, Daemon, Simulator, ending, until

BENCH = REPOSITORY / "recipes" / "benches" / "power-meter.yaml"
SWEEP = """
recipe: one-capture
title: One capture
sweeps:
  main: {method: stepped, centre: 1.7 GHz, span: 200 MHz, points: POINTS, level: 0 dBm,
    resolution_bandwidth: 10 kHz, detector: rms, dwell: 2 ms}
steps:
  - capture: {name: open, role: open, route: middle, position: open, sweep: main}
"""


@pytest.fixture
def meter_bench(tmp_path: Path) -> Iterator[Simulator]:
    bench = Simulator(tmp_path, "power-meter")
    with ending(bench):
        yield bench


@pytest.fixture
def metered(tmp_path: Path, meter_bench: Simulator) -> Iterator[Daemon]:
    running = Daemon(tmp_path, meter_bench, "none", bench=BENCH)
    with ending(running):
        yield running


def results_of(daemon: Daemon, job: str) -> list[dict[str, Any]]:
    records = daemon.http.get("/api/results", params={"job": job}).json()
    return [record["result"] for record in records]


def value_of(results: list[dict[str, Any]], quantity: str) -> dict[str, Any]:
    at = [one for one in results if one["quantity"] == quantity]
    found = [one for one in at if one["frequency_hz"] in (None, 1.7e9)] or at
    assert len(found) == 1, f"{quantity}: {len(found)} results"
    return found[0]


def holds(result: dict[str, Any], truth: float) -> bool:
    return bool(result["low"] <= truth <= result["high"])


def test_return_loss_and_gain_by_a_power_meter_hold_the_truth(
    metered: Daemon, meter_bench: Simulator
) -> None:
    metered.until_state(
        metered.queue("open-short-baseline", antenna="dipole r3", level="0 dBm"), "done"
    )
    job = metered.queue("return-loss", antenna="dipole r3", level="0 dBm")
    metered.until_state(job, "done")
    gain_job = metered.queue(
        "gain-pair-by-switch", antenna="yagi r2", reference="reference dipole", level="3 dBm"
    )
    metered.until_state(gain_job, "done")
    truth = meter_bench.do("truth")["truth"]["antennas"]

    found = results_of(metered, job)
    dipole = truth["dipole r3"]
    in_box = dipole["in_box"]
    true_db = float(np.interp(1.7e9, dipole["frequency_hz"], in_box["return_loss_db"]))
    gamma = 10.0 ** (-true_db / 20.0)
    assert holds(value_of(found, "return_loss"), true_db)
    assert holds(value_of(found, "vswr"), (1.0 + gamma) / (1.0 - gamma))
    assert holds(value_of(found, "resonance_frequency"), in_box["resonance_hz"])
    assert holds(value_of(found, "bandwidth"), in_box["band_high_hz"] - in_box["band_low_hz"])
    names = {line["name"] for line in value_of(found, "return_loss")["budget"]["terms"]}
    assert {"noise", "zero drift", "harmonics", "linearity"} <= names

    gains = results_of(metered, gain_job)
    yagi = truth["yagi r2"]
    true_gain = float(np.interp(1.7e9, yagi["frequency_hz"], yagi["realised_gain_dbi"]))
    (gain,) = [
        one for one in gains if one["quantity"] == "realised_gain" and one["frequency_hz"] == 1.7e9
    ]
    assert holds(gain, true_gain)
    assert "harmonics" in {line["name"] for line in gain["budget"]["terms"]}
    assert "assumed-term" in gain["flags"], "nobody measures antennas at harmonics"

    state = meter_bench.do("state")["instruments"]
    assert state["meter"]["damage"] == 0
    assert state["switch"]["hot_operations"] == 0


def test_it_is_zeroed_ahead_of_each_sweep_with_rf_off(
    metered: Daemon, meter_bench: Simulator
) -> None:
    for _ in range(2):
        metered.until_state(metered.queue_text(SWEEP.replace("POINTS", "21")), "done")
    state = meter_bench.do("state")["instruments"]
    zeroings = state["meter"]["zeroings"]
    assert len(zeroings) == 2
    # Transmitters outside bring a millionth of the meter's own noise into the box, the source none.
    assert all(arriving_w < 1e-12 for _, arriving_w in zeroings)
    history = state["generator"]["rf_history"]
    for at_s, _ in zeroings:
        before = [is_on for when_s, is_on in history if when_s <= at_s]
        assert before[-1] is False
    job = metered.http.get("/api/captures", params={"limit": 1}).json()[0]
    traces = metered.http.get(f"/api/captures/{job['id']}/trace").json()
    (noise,) = [trace for trace in traces if trace["name"] == "noise"]
    # The larger of what it reads of nothing (-61 dBm) and the stated drift of its zero.
    assert min(noise["values"]) >= -60.0
    assert max(noise["values"]) < -56.0


def test_a_source_that_radiates_while_it_says_off_is_not_zeroed_away(
    metered: Daemon, meter_bench: Simulator
) -> None:
    """Zeroed with RF on, the meter would read nothing for ever after, and nobody would see it."""
    job = metered.queue_text(SWEEP.replace("POINTS", "401"))
    until(lambda: meter_bench.do("state")["rf_on"], "the sweep to radiate")
    meter_bench.do("disregard", instrument="generator", setting="output", pretend=True)
    ended = metered.until_state(job, "failed")
    assert ended["error"]["family"] == "still-radiating"
    second = metered.queue_text(SWEEP.replace("POINTS", "21"))
    assert metered.job(second)["state"] == "waiting", "the bench is held"
    zeroings = meter_bench.do("state")["instruments"]["meter"]["zeroings"]
    assert all(arriving_w < 1e-12 for _, arriving_w in zeroings)
    meter_bench.do("obey", instrument="generator")
    metered.until_state(second, "done")


def test_a_source_that_lies_from_the_start_is_seen_before_the_meter_is_zeroed(
    tmp_path: Path, meter_bench: Simulator
) -> None:
    daemon = Daemon(tmp_path, meter_bench, "none", bench=BENCH)
    with ending(daemon):
        first = daemon.queue_text(SWEEP.replace("POINTS", "401"))
        until(lambda: meter_bench.do("state")["rf_on"], "the sweep to radiate")
        meter_bench.do("disregard", instrument="generator", setting="everything", pretend=True)
        daemon.kill()
    # A daemon that knows nothing of it: the source says "off", and radiates on.
    fresh = tmp_path / "fresh"
    fresh.mkdir()
    daemon = Daemon(fresh, meter_bench, "none", bench=BENCH)
    with ending(daemon):
        job = daemon.queue_text(SWEEP.replace("POINTS", "21"))
        ended = daemon.until_state(job, "failed")
        assert ended["error"]["family"] == "still-radiating"
        assert ended["error"]["where"].startswith("generator")
        assert "meter reads" in ended["error"]["message"]
        assert "it was not zeroed" in ended["error"]["message"]
        assert first != job
        second = daemon.queue_text(SWEEP.replace("POINTS", "21"))
        assert daemon.job(second)["state"] == "waiting", "the bench is held"
        assert daemon.http.get("/api/health").json()["rf"]["state"] == "not-verified"
        meter_bench.do("obey", instrument="generator")
        daemon.until_state(second, "done")
