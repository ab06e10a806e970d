"""Points per second by lists against the stepped sweep, at 1 ms settling, in one run.

What is compared: the same sweep of the same virtual bench, once point by point by command and once
by lists hand in hand, from the first message about its points to the last reading in hand; noise
readings and set-up are left out of both. A point of a list takes settling and dwell at least, as a
point by command does. Where instruments heed a command at once, a list gains next to nothing: the
first measurement shows that bound and the share of it that is reached. Real instruments take 1 to
20 ms to heed a command (common practice, no source). A point by command has four of them one after
the other (tune, start, wait, fetch, while the source does its own two), a point of a list none. In
the second measurement each command takes 5 ms, so that a point by command takes some 20 ms beyond
settling and dwell; ten times is asked there. With one cable alone each list is gone through twice,
so that gains half as much.
"""

from __future__ import annotations

import time
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from benchd.acquire import SweepInstruments, rf_off_verified, run_sweep
from benchd.sweeps import ListSteps, SweepPlan, Wiring
from drivers.analyzer import ScpiAnalyzer
from drivers.exchange import Batch, Reply
from drivers.link import Link
from drivers.player import Player
from drivers.source import ScpiSource
from drivers.switch import ScpiSwitch
from tests.benchmarks.conftest import Told
from tests.benchmarks.servers import workshop
from tests.system.rigging import Simulator

POINTS = 401
SETTLING_S = 0.001
DWELL_S = 0.0001
ROUNDS = 3
LATENCIES_S = {"none": 0.0, "5 ms": 0.005}


@pytest.fixture
def bench(tmp_path: Path, request: pytest.FixtureRequest) -> Iterator[Simulator]:
    """The workshop with instruments that settle in 1 ms; each command takes a given time."""

    def change(instrument: dict[str, Any]) -> None:
        if instrument["name"] in ("generator", "analyzer"):
            instrument["latency_s"] = LATENCIES_S[request.param]
        if instrument["name"] == "generator":
            instrument["settle_s"] = SETTLING_S

    with workshop(tmp_path, change) as simulator:
        link, switch = Link.open("switch", simulator.addresses["switch"]), ScpiSwitch("switch")
        Player({"switch": link}).run(switch.confirm(switch.close([101, 201, 301])))
        link.close()
        yield simulator


class Clocked(Player):
    """Notes when the first message about points goes out, and when readings of a list come in."""

    begun_s = fetched_s = 0.0
    _rf_is_on = False

    def perform(self, batch: Batch) -> list[Any]:
        text = batch[0].message
        about_points = ":LIST:FREQ " in text or (self._rf_is_on and ":FREQ:CENT" in text)
        if about_points and not self.begun_s:
            self.begun_s = time.perf_counter()
        values = super().perform(batch)
        if batch[0].reply is Reply.BLOCK:
            self.fetched_s = time.perf_counter()
        if any(":OUTP:STAT ON" in one.message for one in batch):
            self._rf_is_on = True
        return values


def timed(addresses: dict[str, str], wiring: Wiring | None) -> tuple[float, float, np.ndarray]:
    """Seconds that the points take and that the whole sweep takes, and its levels in dBm."""
    lists = None
    if wiring is not None:
        lists = ListSteps(
            wiring=wiring, source_settle_s=SETTLING_S, analyzer_settle_s=0.0, late_s=1e-5,
            points=1000,
        )  # fmt: skip
    plan = SweepPlan(
        method="stepped", start_hz=1.45e9, stop_hz=1.95e9, points=POINTS, level_dbm=-10.0,
        resolution_bandwidth_hz=100e3, dwell_s=DWELL_S, lists=lists,
    )  # fmt: skip
    links = {name: Link.open(name, addresses[name]) for name in ("generator", "analyzer")}
    source = ScpiSource("generator", {}, {"list": True})
    analyzer = ScpiAnalyzer("analyzer", {}, {"list": True})
    read_s: list[float] = []

    def on_progress(progress: Any) -> None:
        if progress.taken is not None:
            read_s.append(time.perf_counter())

    begun_s = time.perf_counter()
    try:
        player = Clocked(links, on_progress=on_progress)
        sweep = player.run(run_sweep(plan, SweepInstruments(analyzer, source)))
        whole_s = time.perf_counter() - begun_s
        player.run(rf_off_verified([source]))
    finally:
        for link in links.values():
            link.close()
    assert sweep.flags == ()
    assert begun_s < player.begun_s < read_s[-1]
    return max(read_s[-1], player.fetched_s) - player.begun_s, whole_s, sweep.level_dbm


@pytest.mark.parametrize("bench", LATENCIES_S, indirect=True)
def test_lists_against_the_stepped_sweep(
    bench: Simulator, request: pytest.FixtureRequest, told: Told
) -> None:
    latency = request.node.callspec.params["bench"]
    pairs = [
        (timed(bench.addresses, None), timed(bench.addresses, "hand-in-hand"))
        for _ in range(ROUNDS)
    ]
    one_cable_s, _, _ = timed(bench.addresses, "source-leads")
    for stepped, listed in pairs:
        # Ten samples of noise some 50 dB below the lowest reading: a few hundredths of a decibel.
        np.testing.assert_allclose(listed[2], stepped[2], atol=0.3)
    ratio, whole_ratio = (
        sorted(stepped[which] / listed[which] for stepped, listed in pairs)[ROUNDS // 2]
        for which in (0, 1)
    )
    by_command = POINTS / min(stepped[0] for stepped, _ in pairs)
    by_list = POINTS / min(listed[0] for _, listed in pairs)
    bound = 1.0 / (SETTLING_S + DWELL_S)
    measured = (
        f"{by_command:.0f} by command, {by_list:.0f} by list ({100 * by_list / bound:.0f} % of "
        f"{bound:.0f}, the bound of settling and dwell); ratio {ratio:.1f}, of whole sweeps "
        f"{whole_ratio:.1f}; one cable, two passes: {POINTS / one_cable_s:.0f}"
    )
    print(f"\nsettling 1 ms, {latency} for each command, points/s: {measured}")
    aim = "10 times" if latency != "none" else "bound stated"
    told(f"lists, points/s at 1 ms settling, {latency} a command", measured, aim)
    if latency == "none":
        assert by_list <= bound, "a list that is quicker than settling and dwell reads too early"
        assert by_list >= 0.5 * bound
    else:
        assert ratio >= 10.0
