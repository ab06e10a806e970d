"""A point of the stepped sweep: against the script that a user would write, and its limit.

All drive the same simulator process in the same run, turn by turn. Only ratios are asserted, since
absolute speed belongs to the machine.

- The careful script: write the frequency, query `*OPC?`, tune the analyzer, query the power, by
  pyvisa with Nagle's algorithm off. Both instruments need their settling time after retuning, as
  real ones do, and the script waits for one after the other. It is also run once as a user would
  write it, with that algorithm on.
- The limit: settling and dwell, and the exchanges of a point by bare sockets with a server that
  does nothing but wait and answer (`echo_server`). No program can do without these.

The script waits for two settling times, so even bare exchanges are less than twice as fast: at 2 ms
they are ahead by (4.1 ms + its exchanges) / (2.1 ms + theirs), which is about 1.94 here. Where 1.9
times the script would be more than the aimed share of that, the share is what must be reached.

The budget tells where the time of a point goes beyond settling and dwell: operating system, sockets
and Python of the bare exchanges; simulator (the same bare exchanges with it); link and player (the
same exchanges, made ahead, against the bare server); procedure (the rest of a sweep's inner loop).
"""

from __future__ import annotations

import socket
import statistics
import time
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest
import pyvisa

from benchd.acquire import SweepInstruments, rf_off_verified, run_sweep
from benchd.acquire.plan import Procedure, grid_hz
from benchd.acquire.stepped import read_points
from benchd.sweeps import SweepPlan
from drivers.analyzer import ScpiAnalyzer
from drivers.link import Link
from drivers.player import Player
from drivers.source import ScpiSource
from tests.benchmarks.bare import seconds_a_point
from tests.benchmarks.conftest import Told
from tests.benchmarks.servers import echo, workshop
from tests.system.rigging import Simulator

POINTS = 101
AS_WRITTEN = 11
DWELL_S = 0.0001
ROUNDS = 7
LEAST_RATIO = 1.9
SETTLING_S = {0: 0.0, 2: 0.002, 10: 0.010}


@pytest.fixture
def bench(tmp_path: Path, request: pytest.FixtureRequest) -> Iterator[Simulator]:
    """The workshop with instruments that settle in a given time and have no other latency."""
    settle_s = SETTLING_S[request.param]
    with workshop(tmp_path, lambda one: one.update(latency_s=0.0, settle_s=settle_s)) as simulator:
        yield simulator


def plan() -> SweepPlan:
    return SweepPlan(
        method="stepped",
        start_hz=1.45e9,
        stop_hz=1.95e9,
        points=POINTS,
        level_dbm=-10.0,
        resolution_bandwidth_hz=100e3,
        dwell_s=DWELL_S,
    )


def plain_script(addresses: dict[str, str], *, hasty: bool, points: int = POINTS) -> float:
    """Seconds that so many points of the sweep take by the obvious script.

    hasty: with Nagle's algorithm switched off behind the library's back, which no user would
    know to do; the library leaves it on, and each write after a write then waits some 40 ms.
    """
    manager = pyvisa.ResourceManager("@py")
    source: Any = manager.open_resource(
        addresses["generator"], read_termination="\n", write_termination="\n"
    )
    analyzer: Any = manager.open_resource(
        addresses["analyzer"], read_termination="\n", write_termination="\n"
    )
    if hasty:
        for resource in (source, analyzer):
            session = manager.visalib.sessions[resource.session]
            session.interface.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)
    try:
        for command in ("SENS:FREQ:SPAN 0", "SENS:SWE:POIN 1", "SENS:BAND:RES 100e3",
                        "SENS:DET:FUNC RMS", f"SENS:SWE:TIME {DWELL_S}", "INIT:CONT OFF",
                        "FORM:DATA ASC"):  # fmt: skip
            analyzer.write(command)
        source.write("SOUR:POW -10")
        source.write("OUTP ON")
        source.query("*OPC?")
        started = time.perf_counter()
        levels = []
        for frequency_hz in grid_hz(plan())[:points]:
            source.write(f"SOUR:FREQ {frequency_hz:.0f}")
            source.query("*OPC?")
            analyzer.write(f"SENS:FREQ:CENT {frequency_hz:.0f}")
            levels.append(float(analyzer.query("INIT:IMM;*WAI;:TRAC:DATA? TRACE1")))
        taken = time.perf_counter() - started
        assert len(levels) == points
        source.write("OUTP OFF")
        source.query("*OPC?")
        return taken
    finally:
        source.close()
        analyzer.close()


def by_benchd(addresses: dict[str, str]) -> float:
    """Seconds that the points of the sweep take by the procedure, noise and set-up left out."""
    links = {name: Link.open(name, addresses[name]) for name in ("generator", "analyzer")}
    source, analyzer = ScpiSource("generator"), ScpiAnalyzer("analyzer")
    read_at: dict[int, float] = {}

    def on_progress(progress: Any) -> None:
        read_at.setdefault(progress.done, time.perf_counter())

    try:
        player = Player(links, on_progress=on_progress)
        sweep = player.run(run_sweep(plan(), SweepInstruments(analyzer, source)))
        player.run(rf_off_verified([source]))
    finally:
        for link in links.values():
            link.close()
    assert sweep.level_dbm.size == POINTS
    # Both are told of while the instruments settle at the point after.
    first, last = min(read_at), POINTS - 1
    return (read_at[last] - read_at[first]) * POINTS / (last - first)


@pytest.fixture
def floor(settle_ms: int) -> Iterator[dict[str, str]]:
    """Addresses of the bare server, whose answers come when settling and dwell are over."""
    options = ("--settle-s", str(SETTLING_S[settle_ms]), "--dwell-s", str(DWELL_S))
    with echo(*options) as ports:
        yield {name: f"TCPIP::127.0.0.1::{port}::SOCKET" for name, port in ports.items()}


def inner_loop_s(addresses: dict[str, str], *, ahead: bool) -> float:
    """Seconds a point takes with the bare server: by the procedure's inner loop, or with all its
    exchanges made ahead, so that only link and player are left."""
    source, analyzer, grid = ScpiSource("generator"), ScpiAnalyzer("analyzer"), grid_hz(plan())
    links = {name: Link.open(name, at, identify=None) for name, at in addresses.items()}
    tunings = [
        (analyzer.set_centre(one), source.set_frequency_settled(one)) for one in grid.tolist()
    ]

    def made_ahead() -> Procedure[None]:
        for tuning in tunings:
            yield tuning
            yield (analyzer.trigger_point(),)

    try:
        player = Player(links, cancel=lambda: False, on_progress=lambda _: None)
        started = time.perf_counter()
        if ahead:
            player.run(made_ahead())
        else:
            player.run(read_points(grid, plan(), source, analyzer, 0, grid.size))
        return (time.perf_counter() - started) / POINTS
    finally:
        for link in links.values():
            link.close()


@pytest.mark.parametrize(
    ("bench", "settle_ms", "aim"),
    [(0, 0, None), (2, 2, 0.93), (10, 10, 0.98)],
    indirect=["bench"],
    ids=["0", "2", "10"],
)
def test_a_stepped_sweep_against_a_careful_script_and_the_limit(
    bench: Simulator, floor: dict[str, str], settle_ms: int, aim: float | None, told: Told
) -> None:
    as_written_s = plain_script(bench.addresses, hasty=False, points=AS_WRITTEN) / AS_WRITTEN
    turns: list[dict[str, float]] = []
    for _ in range(ROUNDS):
        turns.append(
            {
                "bare": seconds_a_point(floor, plan()),
                "script": plain_script(bench.addresses, hasty=True) / POINTS,
                "simulator": seconds_a_point(bench.addresses, plan()),
                "player": inner_loop_s(floor, ahead=True),
                "ours": by_benchd(bench.addresses) / POINTS,
                "procedure": inner_loop_s(floor, ahead=False),
            }
        )
    waits_s = SETTLING_S[settle_ms] + DWELL_S
    # Whatever else the machine does makes a turn longer and never shorter: the least is the truth.
    least = {name: min(turn[name] for turn in turns) for name in turns[0]}
    most = least["script"] / least["bare"]
    ratio = statistics.median(turn["script"] / turn["ours"] for turn in turns)
    share = least["bare"] / least["ours"]
    budget = {
        "bare exchanges": least["bare"] - waits_s,
        "simulator": least["simulator"] - least["bare"],
        "link and player": least["player"] - least["bare"],
        "procedure": least["procedure"] - least["player"],
    }
    words = ", ".join(f"{name} {1e3 * spent_s:.3f}" for name, spent_s in budget.items())
    told(
        f"a point at {settle_ms} ms settling, beyond settling and dwell, ms",
        f"{1e3 * (least['ours'] - waits_s):.3f}: {words}",
        "none",
    )
    told(
        f"the same against a careful script ({as_written_s / least['ours']:.1f} times a usual one)",
        f"{ratio:.2f} times (bare exchanges {most:.2f} times)",
        f">= {LEAST_RATIO} times" if aim else "none",
    )
    told(
        f"the same of what settling, dwell and bare exchanges allow, at {settle_ms} ms",
        f"{100 * share:.1f} % ({100 * waits_s / least['ours']:.1f} % of settling and dwell alone)",
        f">= {100 * aim:.0f} %" if aim else "none",
    )
    if aim:
        assert ratio >= min(LEAST_RATIO, aim * most)
        assert share >= aim
