"""Points per second of the stepped sweep against the script that a user would write.

Both drive the same simulator process in the same run; only their ratio is asserted, since
absolute speed belongs to the machine. The script is the obvious one: write the frequency, query
`*OPC?`, tune the analyzer, query the power. At each settling time both instruments need that
time after retuning, as real ones do; the script waits for one after the other. It is run as a
user would write it, and, for the ratio, in its faster form without Nagle's algorithm.
"""

from __future__ import annotations

import socket
import time
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest
import pyvisa
from ruamel.yaml import YAML

from benchd.acquire import SweepInstruments, rf_off_verified, run_sweep
from benchd.acquire.plan import grid_hz
from benchd.sweeps import SweepPlan
from drivers.analyzer import ScpiAnalyzer
from drivers.link import Link
from drivers.player import Player
from drivers.source import ScpiSource
from tests.benchmarks.conftest import Told
from tests.system.rigging import REPOSITORY, Simulator, ending

POINTS = 201
DWELL_S = 0.0001
ROUNDS = 3
SETTLING_S = {0: 0.0, 2: 0.002, 10: 0.010}


@pytest.fixture
def bench(tmp_path: Path, request: pytest.FixtureRequest) -> Iterator[Simulator]:
    """The workshop with instruments that settle in a given time and have no other latency."""
    yaml = YAML(typ="safe")
    world = yaml.load((REPOSITORY / "simulators" / "worlds" / "workshop.yaml").read_text())
    for instrument in world["instruments"]:
        instrument["latency_s"] = 0.0
        instrument["settle_s"] = SETTLING_S[request.param]
    path = tmp_path / "settling.yaml"
    with path.open("w") as file:
        yaml.dump(world, file)
    simulator = Simulator(tmp_path, str(path))
    with ending(simulator):
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


def plain_script(addresses: dict[str, str], *, hasty: bool) -> float:
    """Seconds that the sweep takes by the obvious script.

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
        for frequency_hz in grid_hz(plan()):
            source.write(f"SOUR:FREQ {frequency_hz:.0f}")
            source.query("*OPC?")
            analyzer.write(f"SENS:FREQ:CENT {frequency_hz:.0f}")
            levels.append(float(analyzer.query("INIT:IMM;*WAI;:TRAC:DATA? TRACE1")))
        taken = time.perf_counter() - started
        assert len(levels) == POINTS
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
    marks: list[float] = []

    def on_progress(progress: Any) -> None:
        marks.append(time.perf_counter())

    try:
        player = Player(links, on_progress=on_progress)
        sweep = player.run(run_sweep(plan(), SweepInstruments(analyzer, source)))
        player.run(rf_off_verified([source]))
    finally:
        for link in links.values():
            link.close()
    assert sweep.level_dbm.size == POINTS
    # The first mark comes with the first point, the last one after the last.
    return (marks[-1] - marks[0]) * POINTS / (POINTS - 1)


@pytest.mark.parametrize(
    ("bench", "settle_ms"), [(0, 0), (2, 2), (10, 10)], indirect=["bench"], ids=["0", "2", "10"]
)
def test_a_stepped_sweep_against_the_plain_script(
    bench: Simulator, settle_ms: int, told: Told
) -> None:
    as_written = plain_script(bench.addresses, hasty=False)
    pairs = [
        (plain_script(bench.addresses, hasty=True), by_benchd(bench.addresses))
        for _ in range(ROUNDS)
    ]
    ratio = sorted(script / ours for script, ours in pairs)[ROUNDS // 2]
    best_s = min(ours for _, ours in pairs)
    limit = 1.0 / (settle_ms * 1e-3 + DWELL_S)
    told(
        f"stepped sweep, settling {settle_ms} ms",
        f"{POINTS / best_s:.0f} points/s, {100 * POINTS / best_s / limit:.1f} % of the limit; "
        f"script as written {POINTS / as_written:.0f}, without Nagle "
        f"{POINTS / min(s for s, _ in pairs):.0f}, ratio {ratio:.2f}",
        {0: "none", 2: "ratio 1.8", 10: "ratio 1.8, 95 % of the limit"}[settle_ms],
    )
    if settle_ms:
        assert ratio >= 1.8
    if settle_ms == 10:
        assert POINTS / best_s >= 0.95 * limit
