"""What five viewers of a running sweep cost it.

Each viewer does what the page does: it reads the event stream with every point, reads all points
once, and asks for the state of RF every two seconds. They run in a process of their own, as
browsers do. The same job runs with and without them in turn.

The bench thread waits for its instruments most of the time. What can delay it is what the daemon
computes for its viewers meanwhile; so the processor time that they cost, as a part of the time that
the sweep takes, is the most by which they can slow it down where a processor is free. Unlike points
per second it does not hang on what else the machine does. Both are printed.
"""

from __future__ import annotations

import os
import statistics
import subprocess
import sys
import time
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from datetime import datetime
from pathlib import Path

from tests.benchmarks.conftest import Told
from tests.system.rigging import Daemon, Simulator, ending

VIEWERS = 5
ROUNDS = 3
POINTS = 1001
MOST_COST = 0.02

SWEEP = f"""
recipe: watched
title: A sweep that is watched
sweeps:
  main: {{method: stepped, start: 1.45 GHz, stop: 1.95 GHz, points: {POINTS}, level: -10 dBm,
    resolution_bandwidth: 100 kHz, detector: rms, dwell: 2 ms}}
steps:
  - capture: {{name: open, role: open, route: middle, position: open, sweep: main}}
"""

VIEW = """
import os, sys, threading, time
import httpx

def view(url):
    with httpx.Client(base_url=url, timeout=60, trust_env=False) as client:
        client.get("/api/now")
        with client.stream("GET", "/api/events") as events:
            os.write(1, b"watching\\n")
            for line in events.iter_lines():
                pass

def ask(url):
    with httpx.Client(base_url=url, timeout=60, trust_env=False) as client:
        while True:
            client.get("/api/rf")
            time.sleep(2)

for _ in range(int(sys.argv[2])):
    for work in (view, ask):
        threading.Thread(target=work, args=(sys.argv[1],), daemon=True).start()
sys.stdin.read()
"""


@contextmanager
def viewers(daemon: Daemon, count: int = VIEWERS) -> Iterator[None]:
    """So many of them look on."""
    command = [sys.executable, "-c", VIEW, daemon.said["http"], str(count)]
    with subprocess.Popen(command, stdin=subprocess.PIPE, stdout=subprocess.PIPE) as process:
        assert process.stdout is not None
        for _ in range(count):
            assert process.stdout.readline() == b"watching\n"
        try:
            yield
        finally:
            process.kill()


@dataclass(frozen=True)
class Run:
    """One run of the job: how long it took, and what the daemon computed meanwhile, s."""

    took_s: float
    computed_s: float


def run(daemon: Daemon, recipe: str = SWEEP) -> Run:
    """Run the job, and look at the clocks of the system."""
    before_s = computed_s(daemon)
    job = daemon.queue_text(recipe)
    while daemon.job(job)["state"] != "done":
        time.sleep(1.0)
    ended = daemon.job(job)
    times = [datetime.fromisoformat(ended[name]) for name in ("started_at", "ended_at")]
    return Run((times[1] - times[0]).total_seconds(), computed_s(daemon) - before_s)


def computed_s(daemon: Daemon) -> float:
    """Processor time of the daemon since its start, s."""
    fields = Path(f"/proc/{daemon.popen.pid}/stat").read_text().rpartition(")")[2].split()
    return (int(fields[11]) + int(fields[12])) / os.sysconf("SC_CLK_TCK")


def test_five_viewers_cost_a_sweep_next_to_nothing(tmp_path: Path, told: Told) -> None:
    simulator = Simulator(tmp_path)
    daemon = Daemon(tmp_path, simulator, "none")
    alone: list[Run] = []
    watched: list[Run] = []
    with ending(daemon, simulator):
        run(daemon)  # connects and warms up
        for _ in range(ROUNDS):
            alone.append(run(daemon))
            with viewers(daemon):
                watched.append(run(daemon))
    watched_s = statistics.median(one.took_s for one in watched)
    more_s = statistics.median(one.computed_s for one in watched) - statistics.median(
        one.computed_s for one in alone
    )
    cost = more_s / watched_s
    told(
        f"{VIEWERS} viewers of a sweep",
        f"{100 * cost:.1f} % of its {watched_s:.1f} s computed for them; points/s alone "
        f"{POINTS / min(one.took_s for one in alone):.0f}, watched "
        f"{POINTS / min(one.took_s for one in watched):.0f}",
        f"below {100 * MOST_COST:.0f} %",
    )
    assert cost < MOST_COST
