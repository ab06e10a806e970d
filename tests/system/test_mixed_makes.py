"""Instruments of different makes on different transports: the same drivers, the same numbers."""

from __future__ import annotations

from pathlib import Path

import numpy as np

from tests.system.rigging import REPOSITORY, Daemon, Simulator, ending


def test_three_dialects_over_four_transports_give_results_that_hold_the_truth(
    tmp_path: Path,
) -> None:
    simulator = Simulator(tmp_path, "mixed-makes")
    with ending(simulator):
        assert {name: place.partition("::")[0] for name, place in simulator.addresses.items()}[
            "lid"
        ].startswith("ASRL")
        bench = REPOSITORY / "recipes" / "benches" / "mixed-makes.yaml"
        daemon = Daemon(tmp_path, simulator, "none", bench=bench)
        with ending(daemon):
            daemon.until_state(daemon.queue("open-short-baseline", points="51"), "done")
            job = daemon.queue("return-loss", points="51")
            daemon.until_state(job, "done")
            results = daemon.http.get("/api/results", params={"job": job}).json()
        antenna = simulator.do("truth")["truth"]["antennas"]["dipole r3"]
    by_quantity = {record["result"]["quantity"]: record["result"] for record in results}
    resonance = by_quantity["resonance_frequency"]
    assert resonance["low"] <= antenna["in_box"]["resonance_hz"] <= resonance["high"]
    return_loss = by_quantity["return_loss"]
    truth_db = float(np.interp(1.7e9, antenna["frequency_hz"], antenna["in_box"]["return_loss_db"]))
    assert return_loss["low"] <= truth_db <= return_loss["high"]
