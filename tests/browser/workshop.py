"""A workshop with a past: what views of it are tested with, and pictures of it are made of."""

from __future__ import annotations

from pathlib import Path

from tests.browser.pages import Stage
from tests.system.rigging import REPOSITORY, Daemon, Simulator, ending

SHIPPED = REPOSITORY / "recipes" / "benches" / "workshop.yaml"
WORLD = REPOSITORY / "simulators" / "worlds" / "workshop.yaml"
POINTS = "41"

# The shipped recipe asks a person for a load again and again; the switch has one of its own.
COUPLER = """
recipe: coupler-by-switch
title: The coupler, by switch
on_interrupt: restart
parameters: {at: {kind: frequency, default: 1.7 GHz}}
sweeps:
  main: {method: stepped, start: 1.5 GHz, stop: 1.9 GHz, points: 11, level: -10 dBm,
    resolution_bandwidth: 10 kHz, detector: rms, dwell: 1 ms}
steps:
  - repeat:
      over: {standard: [open, short, load]}
      steps:
        - capture: {name: $standard, role: $standard, route: middle, position: $standard,
            sweep: main}
  - reduce: {kind: coupler, open: open, short: short, load: load, load_match: 34 dB, at: $at}
"""


def with_a_past(folder: Path, points: str = POINTS, time_scale: str = "0.02") -> Stage:
    """A dipole measured before and after a trim, and a coupler that was qualified twice."""
    bench = folder / "bench" / "workshop.yaml"
    bench.parent.mkdir()
    bench.write_text(SHIPPED.read_text())
    world = folder / "world.yaml"
    trimmed = "  - name: dipole r4\n    design_frequency_hz: 1.7e9\n" + (
        "    elements: [{length_m: 0.0823, diameter_m: 0.001}]\n"
    )
    world.write_text(
        WORLD.read_text().replace("  - name: yagi r2\n", f"{trimmed}  - name: yagi r2\n")
    )
    simulator = Simulator(folder, str(world), "--time-scale", time_scale)
    try:
        # The register stands beside the copy of the bench that the daemon is given.
        found = Stage(folder, simulator, Daemon(folder, simulator, "none", bench=bench), bench)
    except BaseException:
        simulator.kill()
        raise
    try:
        _measure(found, points)
    except BaseException:
        with ending(found.daemon, simulator):
            raise
    return found


def _measure(stage: Stage, points: str) -> None:
    daemon = stage.daemon
    jobs = [
        daemon.queue("open-short-baseline", antenna="dipole r3", points=points),
        daemon.queue("return-loss", antenna="dipole r3", points=points),
        daemon.queue_text(COUPLER),
        daemon.queue_text(COUPLER),
    ]
    for job in jobs:
        daemon.until_state(job, "done")
    revision = {"name": "dipole r4", "start": "dipole r3", "changes": {"arm": "41.2 mm"}}
    assert daemon.http.post("/api/antennas", json=revision).status_code == 201
    stage.simulator.do("place", position="middle", item="dipole r4")
    daemon.until_state(daemon.queue("return-loss", antenna="dipole r4", points=points), "done")
