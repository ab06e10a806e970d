"""Benches of foreign make: physics that neither the simulators nor benchd share.

Readings come from `reflectometer` and `antennas`; the owner's bench file states what an owner can
find out; benchd's own reduction turns the readings into results.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from typing import Any

import numpy as np

from benchd.bench import Bench, parse_bench
from benchd.known.captures import BenchKnowledge, JobCaptures
from benchd.known.carrier_levels import carrier_trace
from benchd.known.reflection import coupler_over_frequency, reflection_knowledge
from benchd.reduce.normalise import normalised
from benchd.reduce.revision_readings import Looked
from benchd.reductions.reflection import reduce_reflection
from benchd.reductions.reflection_settings import Reflection as Settings
from benchd.results import Result
from benchd.sweeps import SweepAsRun
from benchd.traces import Capture, Form, Role, Trace
from tests.coverage_study.antennas import KINDS, Antenna, Reflection
from tests.coverage_study.memory import Shelf
from tests.coverage_study.reflectometer import (
    Reflectometer,
    drawn_reflectometer,
    readings,
)

MORNING = datetime(2026, 2, 2, 6, 0, tzinfo=UTC)
LEVEL_DBM = -10.0
DWELL_S = 0.001


@dataclass(frozen=True)
class Foreign:
    """One bench of foreign make with its antenna."""

    seed: int
    bench: Reflectometer
    antenna: Antenna
    low_level: bool
    rippling: bool


def generator(seed: int, purpose: int) -> np.random.Generator:
    """One generator for each purpose, so that a new draw changes no other."""
    return np.random.default_rng([seed, 7, purpose])


def drawn_foreign(
    seed: int, kind: Callable[[np.random.Generator], Antenna] | None = None
) -> Foreign:
    """The kinds of antenna in turn, or one kind; every fourth bench at a low level, every third
    rippling."""
    rng = generator(seed, 0)
    names = tuple(KINDS)
    antenna = (kind or KINDS[names[seed % len(names)]])(generator(seed, 1))
    low_level, rippling = bool(rng.random() < 0.25), bool(rng.random() < 0.33)
    return Foreign(
        seed, drawn_reflectometer(generator(seed, 2), low_level, rippling), antenna, low_level,
        rippling,
    )  # fmt: skip


def _rms(values: Any) -> float:
    return float(np.sqrt(np.mean(np.abs(values) ** 2)))


def _db(size: float) -> float:
    return float(-20.0 * np.log10(size))


def bench_file(one: Foreign) -> str:
    """What the owner of this bench knows, as a bench file.

    Half state one effective size over the whole sweep, half a table at seven frequencies; both
    off by half a decibel. The length of the port cable is known to 5 %.
    """
    rng = generator(one.seed, 3)
    f = one.antenna.fine_hz
    sizes = dict(zip(("directivity", "source_match"), one.bench.terms(f), strict=True))
    table = rng.random() < 0.5
    stated = {}
    for name, size in sizes.items():
        off_db = rng.normal(0.0, 0.5)
        if not table:
            wide = one.bench.terms(np.linspace(0.85 * f[0], 1.15 * f[-1], 2001))
            everywhere = wide[0 if name == "directivity" else 1]
            stated[name] = f"{_db(_rms(everywhere)) + off_db:.2f} dB"
            continue
        at_hz = np.linspace(f[0], f[-1], 7)
        near = [np.abs(f - at) <= (at_hz[1] - at_hz[0]) / 2.0 for at in at_hz]
        values = [_db(_rms(size[part])) + off_db for part in near]
        stated[name] = "{" + ", ".join(
            f"{at / 1e9:.5f} GHz: {v:.2f} dB" for at, v in zip(at_hz, values, strict=True)
        ) + "}"  # fmt: skip
    bench = one.bench
    delay_ns = bench.cable_delay_s * 1e9 * (1.0 + 0.05 * rng.normal())
    near_10 = 1.0 + 0.1 * rng.normal(size=4)
    joint_db = _db(bench.joint_reflection * near_10[0])
    known = one.antenna.coupling
    coupling = f", coupling: {known}" if known else ""
    return f"""
bench: foreign-{one.seed}
title: A bench of foreign make
instruments:
  generator: {{kind: source, driver: scpi-source, address: 'TCPIP::127.0.0.1::1::SOCKET',
    identity: 'Workshop,Source', frequency: [100 MHz, 6 GHz], level: [-120 dBm, 15 dBm],
    frequency_accuracy: 1 ppm,
    drift: {{change: {max(bench.drift_db * near_10[1], 1e-4):.4f} dB, within: 600 s}}}}
  analyzer: {{kind: analyzer, driver: scpi-analyzer, address: 'TCPIP::127.0.0.1::2::SOCKET',
    identity: 'Workshop,Analyzer', frequency: [9 kHz, 6.5 GHz], largest_input: 20 dBm,
    linearity: {bench.scale_db * near_10[2]:.3f} dB,
    drift: {{change: 0.0001 dB, within: 600 s}}}}
fixtures:
  feed_cable: {{kind: cable, loss: 0.2 dB}}
  port_cable: {{kind: cable, loss: {bench.cable_loss_db:.2f} dB, delay: {delay_ns:.3f} ns,
    repeatability: {bench.joint_loss_db * np.sqrt(1.5) * near_10[3]:.4f} dB,
    reflection_repeatability: {joint_db:.2f} dB}}
  sense_cable: {{kind: cable, loss: 0.2 dB}}
  coupler: {{kind: coupler, loss: 0.3 dB, coupling: 15 dB,
    directivity: {stated["directivity"]}, source_match: {stated["source_match"]}}}
antennas:
  antenna: {{design_frequency: {sum(one.antenna.sweep_hz) / 2e9:.5f} GHz,
    largest_dimension: 80 mm{coupling}}}
routes:
  port: {{kind: reflection, source: generator, analyzer: analyzer, port: port,
    out: [feed_cable, coupler.through, port_cable], back: [coupler.coupled, sense_cable]}}
"""


def bench_of(one: Foreign) -> Bench:
    """The owner's bench, read by benchd."""
    return parse_bench(bench_file(one), file=f"foreign-{one.seed}.yaml")


def captures(one: Foreign, bench: Bench, again: Reflection | None = None) -> dict[str, Capture]:
    """Open, short and antenna, as a stepped sweep would have brought them; and a second antenna."""
    found, noise_db = readings(generator(one.seed, 4), one.bench, one.antenna, again)
    grid = one.antenna.grid_hz
    made = {}
    for number, (name, level_db) in enumerate(found.items()):
        traces = (
            Trace("level", Form.LEVEL_DBM, grid, LEVEL_DBM + level_db),
            Trace("noise", Form.LEVEL_DBM, grid[:5], np.full(5, LEVEL_DBM + noise_db)),
        )
        made[name] = Capture(
            id=f"cap-{name}",
            bench=bench.bench,
            job_id="job-1",
            step=name,
            role=Role("test" if name == "again" else name),
            route="port",
            position=None,
            antenna="antenna" if name in ("test", "again") else None,
            traces=traces,
            settings=SweepAsRun(
                method="stepped", start_hz=float(grid[0]), stop_hz=float(grid[-1]),
                points=grid.size, level_dbm=LEVEL_DBM, detector="rms", average=1,
                resolution_bandwidth_hz=one.bench.samples / DWELL_S, dwell_s=DWELL_S,
            ),
            fixtures=bench.route_fixtures("port"),
            instruments={"generator": "Workshop,Source", "analyzer": "Workshop,Analyzer"},
            taken_at=MORNING + timedelta(seconds=300.0 * number),
            recipe_hash="a" * 64,
            worksheet_hash="b" * 64,
        )  # fmt: skip
    return made


def results(one: Foreign, at_hz: list[float], **options: Any) -> tuple[Result, ...]:
    """benchd's own reduction of the bench's readings."""
    bench = bench_of(one)
    taken = captures(one, bench)
    shelf = Shelf(list(taken.values()))
    settings = Settings.from_stored({
        "kind": "reflection",
        "test": "test",
        "baseline": {"open": "open", "short": "short"},
        "design_frequency_hz": sum(one.antenna.sweep_hz) / 2.0,
        "at_hz": at_hz or None,
        **options,
    })  # fmt: skip
    captures_of_job = JobCaptures(shelf, "job-1", "reduce reflection")
    return reduce_reflection(settings, captures_of_job, BenchKnowledge(bench, shelf)).results


def looked(one: Foreign, again: Reflection | None = None) -> list[Looked]:
    """The antenna's reading over the baseline, and what benchd knows at a frequency: the first
    steps of its reduction, for a study of one of the later ones alone. So of a second antenna."""
    bench = bench_of(one)
    taken = captures(one, bench, again)
    baseline = {name: taken[name] for name in ("open", "short")}
    found = []
    for name in ("test", "again") if again else ("test",):
        known = reflection_knowledge(bench, taken[name], baseline)
        levels = [carrier_trace(part) for part in baseline.values()]
        ratio = normalised(taken[name].level, levels)
        known_at = coupler_over_frequency(known, bench, taken[name])
        found.append(Looked(ratio.frequency_hz, np.real(ratio.values), known_at))
    return found
