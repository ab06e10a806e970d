"""Seconds of a sweep that refines against the whole one, through the daemon, at 10 ms of settling.

Both are captures of one job, one after the other; a capture's time is from the end of the one
before to its own end, so that switching, the noise readings and storing count in both.
"""

from __future__ import annotations

from collections.abc import Iterator
from datetime import datetime
from pathlib import Path

import pytest

from tests.benchmarks.conftest import Told
from tests.benchmarks.servers import settling
from tests.system.rigging import Daemon, Simulator, ending

SETTLING_S = 0.010
POINTS = 201
LEAST_RATIO = 2.5
"""How many times as fast it is at least: a quarter of the points, and what each capture takes
besides (noise at five frequencies, switching)."""

SWEEP = (
    "start: 1.45 GHz, stop: 1.95 GHz, points: 201, level: -10 dBm, "
    "resolution_bandwidth: 100 kHz, dwell: 0.1 ms"
)
RECIPE = f"""
recipe: both
title: One antenna by a whole sweep, and by one that refines
sweeps:
  whole: {{{SWEEP}}}
  fewer: {{{SWEEP}, refine: {{to: 500 kHz}}}}
steps:
  - capture: {{name: open, role: open, route: middle, position: open, sweep: whole}}
  - capture: {{name: short, role: short, route: middle, position: short, sweep: whole}}
  - capture: {{name: whole, role: test, route: middle, position: antenna, antenna: dipole r3,
      sweep: whole}}
  - capture: {{name: fewer, role: test, route: middle, position: antenna, antenna: dipole r3,
      sweep: fewer}}
  - reduce: {{kind: reflection, test: fewer, baseline: {{open: open, short: short}}}}
"""


@pytest.fixture
def bench(tmp_path: Path) -> Iterator[Simulator]:
    """The workshop with a source and an analyzer that settle in 10 ms and have no other latency."""
    with settling(tmp_path, SETTLING_S) as simulator:
        yield simulator


def test_a_sweep_that_refines_takes_a_third_of_the_time(
    tmp_path: Path, bench: Simulator, told: Told
) -> None:
    daemon = Daemon(tmp_path, bench, "none")
    with ending(daemon):
        job = daemon.queue_text(RECIPE)
        daemon.until_state(job, "done")
        rows = daemon.http.get("/api/captures", params={"job": job}).json()
        ended = {row["step"]: datetime.fromisoformat(row["taken_at"]) for row in rows}
        ids = {row["step"]: row["id"] for row in rows}
        trace = daemon.http.get(f"/api/captures/{ids['fewer']}/trace").json()[0]
    points = len(trace["frequency_hz"])
    whole_s = (ended["whole"] - ended["short"]).total_seconds()
    fewer_s = (ended["fewer"] - ended["whole"]).total_seconds()
    told(
        "sweep that refines, settling 10 ms",
        f"{points} of {POINTS} points, {fewer_s:.2f} s against {whole_s:.2f} s, "
        f"ratio {whole_s / fewer_s:.1f}",
        f"a quarter of the points, ratio {LEAST_RATIO}",
    )
    assert points <= -(-POINTS // 4)
    assert whole_s / fewer_s >= LEAST_RATIO
