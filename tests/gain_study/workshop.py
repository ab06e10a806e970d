"""Gains, and a night's drift, on the simulators' benches: every method, sweep and dialect family.

The benches are those of `tests/coverage_study`; what it does not reach is measured here: absolute
gains, sweeps that hold or track, and the level's drift with temperature. Every other bench speaks
the second family of dialects.
"""

from __future__ import annotations

import json
import re
from collections.abc import Iterator
from dataclasses import dataclass, replace
from functools import lru_cache
from pathlib import Path

import numpy as np
from ruamel.yaml import YAML

from benchd.bench import Bench, parse_bench
from benchd.errors import ReductionRefused
from benchd.recipe import Recipe, load_recipe, resolve
from benchd.results import Result
from benchd.traces import Capture
from benchd.worksheet import CaptureStep, Worksheet
from simulators.instruments.all_instruments import Workbench
from simulators.world import World
from simulators.world.antennas import FORWARD
from simulators.world.model import WorldModel
from simulators.world.wiring import Placing, antenna_of
from tests.coverage_study.air import Air
from tests.coverage_study.draw import Drawn, drawn, generator
from tests.coverage_study.memory import VirtualBench
from tests.coverage_study.owner import (
    GAIN_BAND_HZ,
    POSITIONS,
    SPAN_M,
    SPREAD_HZ,
    Owner,
    bench_file,
)
from tests.coverage_study.study import Line

RECIPES = Path(__file__).resolve().parents[2] / "recipes"
OTHER_MAKES = {"source": "terse", "analyzer": "chatty", "switch": "terse"}
NAMES = "(range dipole|reference dipole|antenna)"
AT_HZ = 1.7e9
OUT_OF_BAND_DB = 3.0
DRIFT_TIMES = 12
DRIFT_DB_PER_K = (-0.03, 0.01)
"""Of source and of analyzer: most lose level as they warm, some gain."""
LOW_LEVEL_DBM = -40.0
LEAST_TRACKING_DBM = -60.0
"""The analyzers' own outputs go down to this."""


DIPOLES = ("range dipole", "reference dipole")


@dataclass(frozen=True)
class Method:
    """A shipped recipe; the antennas at the two ends of the path that its owner qualified."""

    recipe: str
    path_of: tuple[str, str] = DIPOLES
    sweep: str = "stepped"


METHODS = {
    "substitution, hold": Method("gain-pair-by", sweep="hold"),
    "substitution, tracking": Method("gain-pair-by", sweep="tracking"),
    "between references": Method("gain-between-references"),
    "range antenna": Method("gain-by-known-range-antenna", ("range dipole", "antenna")),
    "two alike": Method("gain-two-identical", ("antenna", "antenna")),
    "three antennas": Method("gain-three-antennas"),
}


class WatchedBench(VirtualBench):
    """A virtual bench with a thermometer of tenths of a kelvin beside it.

    pause_s: passes before each capture.
    """

    pause_s = 0.0

    def _captured(self, job_id: str, worksheet: Worksheet, step: CaptureStep) -> Capture:
        self.wait(self.pause_s)
        found = super()._captured(job_id, worksheet, step)
        kelvin = self.world.temperature_k(self.clock.now_s())
        return replace(found, readings={"temperature_c": round(20.0 + kelvin, 1)})


def workshop(seed: int, *, other: bool) -> Drawn:
    """A bench of the coverage study with a drift of its own, in one family of dialects or the
    other."""
    one = drawn(seed)
    data = one.world.model.model_dump()
    source, analyzer = generator(seed, 8).uniform(*DRIFT_DB_PER_K, 2)
    data["source"]["drift_db_per_k"] = float(source)
    data["analyzer"]["drift_db_per_k"] = float(analyzer)
    for instrument in data["instruments"]:
        if other:
            instrument["dialect"] = OTHER_MAKES[instrument["kind"]]
    return replace(one, world=World(WorldModel.model_validate(data), seed=seed))


def path_spread_db(one: Drawn, near: str, far: str) -> dict[float, float]:
    """Standard deviation over places of both ends of one path's level, the distance taken out."""
    offsets = Owner(one).guess(20).uniform(-SPAN_M / 2.0, SPAN_M / 2.0, (POSITIONS, 2, 3))
    box, air = one.world.model.box, Air(one.world.model, SPREAD_HZ)
    rows = []
    for near_off, far_off in offsets:
        here = np.array(box.near_end_m) + near_off
        apart_m = float(np.linalg.norm(np.array(box.mount_a_m) + far_off - here))
        ends = [Placing(name, offset_m=tuple(off.tolist()))
                for name, off in ((near, near_off), (far, far_off))]  # fmt: skip
        rows.append(air.level_db(ends[0], ends[1], "mount_a") + 20.0 * np.log10(apart_m))
    return dict(zip(SPREAD_HZ, np.std(rows, axis=0, ddof=1).tolist(), strict=True))


@lru_cache(maxsize=2)
def _qualified(seed: int) -> str:
    """The owner's bench file, before it is known what is to be measured."""
    return bench_file(workshop(seed, other=False))


@lru_cache(maxsize=6)
def _path_table(seed: int, near: str, far: str) -> str:
    sizes = path_spread_db(drawn(seed), near, far)
    return ", ".join(f"{at / 1e9:.4f} GHz: {size:.3f} dB" for at, size in sizes.items())


def bench_of(one: Drawn, method: Method, *, other: bool) -> Bench:
    """The owner's bench for one method: path spread, match of the source, words of the makes."""
    # Over the band a Yagi's place of radiation wanders along its boom, at either end of the range.
    wander_mm = 25 * max(1, method.path_of.count("antenna"))
    text = _qualified(one.seed)
    text = text.replace("range_tolerance: 10 mm", f"range_tolerance: {wander_mm} mm")
    text = text.replace("antennas:\n", f"{path_lines(one, method.path_of)}antennas:\n", 1)
    match_db = one.world.model.source.match_db
    text = text.replace("driver: scpi-source,", f"driver: scpi-source, match: {match_db:.1f} dB,")
    if method.sweep == "tracking":
        text = text.replace(
            "kind: transmission, source: generator", "kind: transmission, source: analyzer"
        )
        text = text.replace(
            "driver: scpi-analyzer,", "driver: scpi-analyzer, tracking_level: [-120 dBm, 15 dBm],"
        )
    return _read(other_words(text) if other else text, f"drawn-{one.seed}.yaml")


def path_lines(one: Drawn, ends: tuple[str, str]) -> str:
    """What the owner's box says of one path, found with the antennas of its two ends."""
    table = _path_table(one.seed, *ends)
    return (
        f"  path_spread: {{{table}}}\n  path_spread_of: [{ends[0]}, {ends[1]}]\n"
        f"  path_spread_positions: {POSITIONS}\n"
    )


def other_words(text: str) -> str:
    """A bench file with what instruments of other makes must be told."""
    for kind, words in _words().items():
        text = text.replace(f"driver: scpi-{kind},", f"driver: scpi-{kind}, {words}")
    return text


def sheet_of(name: str, bench: Bench, arguments: dict[str, str]) -> Worksheet:
    """A shipped recipe resolved."""
    return resolve(_recipe((RECIPES / f"{name}.yaml").read_text(), name), bench, arguments)


@lru_cache(maxsize=8)
def _read(text: str, file: str) -> Bench:
    """Several methods have one bench file."""
    return parse_bench(text, file=file)


@lru_cache(maxsize=1)
def _words() -> dict[str, str]:
    """What the shipped bench of other makes says of commands and answers, by kind."""
    data = YAML(typ="safe").load((RECIPES / "benches" / "mixed-makes.yaml").read_text())
    found = {}
    for instrument in data["instruments"].values():
        parts = [
            f"{key}: {json.dumps(instrument[key])},"
            for key in ("commands", "options")
            if key in instrument
        ]
        found[instrument["kind"]] = " ".join(parts)
    return found


def _hands(workbench: Workbench, ask: str) -> None:
    """A person who fits what a request names, where it names it."""
    world = workbench.world
    if world.model.layout == "by-hand":
        workbench.move(lambda: world.connect("range"))
    if "Join the range cable straight" in ask or "join the range cable straight" in ask:
        workbench.move(lambda: world.place("mount_a", "thru"))
        return
    near = re.search(rf"it (?:one|the) {NAMES} to the near", ask)
    far = re.search(rf"(?:the other|and the|it the) ?{NAMES}? to the (?:same )?mount", ask)
    if near:
        workbench.move(lambda: world.place("near_end", near.group(1)))
    if far:
        name = far.group(1) or (near.group(1) if near else "antenna")
        workbench.move(lambda: world.place("mount_a", name))


def _sheet(one: Drawn, method: Method, bench: Bench) -> Worksheet:
    name = method.recipe
    if name == "gain-pair-by":
        name += "-switch" if one.switched else "-swap"
    text = (RECIPES / f"{name}.yaml").read_text()
    text = text.replace("method: stepped", f"method: {method.sweep}")
    if method.sweep == "hold":
        # The source rests at each point while the analyzer, with a wide filter, sweeps many times.
        text = text.replace("    detector: rms\n", "    for: 6 s\n")
        text = text.replace("10 kHz", "300 kHz").replace("dwell: 2 ms", "dwell: 50 ms")
    arguments = {
        "start": f"{GAIN_BAND_HZ[0] / 1e9} GHz", "stop": f"{GAIN_BAND_HZ[1] / 1e9} GHz",
        "points": "11", "level": f"{one.level_dbm} dBm",
    }  # fmt: skip
    if method.sweep == "tracking":
        arguments["level"] = f"{max(one.level_dbm, LEAST_TRACKING_DBM)} dBm"
    if "three" in name:
        arguments |= {"first": "range dipole", "second": "reference dipole", "third": "antenna"}
    else:
        arguments["antenna"] = "antenna"
    if name not in ("gain-pair-by-switch", "gain-between-references"):
        arguments["position"] = "mount_a" if one.switched else "none"
    return resolve(_recipe(text, name), bench, arguments)


@lru_cache(maxsize=32)
def _recipe(text: str, name: str) -> Recipe:
    return load_recipe(text, file=name)


def measured(one: Drawn, method: Method, bench: Bench) -> list[Result]:
    """Results of one method on a bench that has warmed up for ten minutes."""
    virtual = WatchedBench(one.world, bench, _hands)
    virtual.wait(600.0)
    return virtual.run(_sheet(one, method, bench))


def lines_of(seed: int) -> list[Line]:
    """Every stated interval of one bench."""
    other = bool(seed % 2)
    found: list[Line] = []
    for name, method in METHODS.items():
        one = workshop(seed, other=other)
        if name == "between references" and not one.switched:
            continue
        bench = bench_of(one, method, other=other)
        try:
            results = measured(one, method, bench)
        except ReductionRefused:
            # Held maxima that nowhere rise above the noise: no number is stated.
            assert method.sweep == "hold", name
            assert one.level_dbm < LOW_LEVEL_DBM
            continue
        found += _gain_lines(one, name, results)
    return [*found, *_drift_lines(workshop(seed, other=other), other=other)]


def _gain_lines(one: Drawn, name: str, results: list[Result]) -> Iterator[Line]:
    for result in results:
        if not result.quantity.startswith("realised_gain"):
            continue
        antenna = antenna_of(one.world.model, result.antenna or "antenna")
        grid_hz, curve = antenna.frequency_hz, antenna.gains_db(FORWARD)[1]
        inside = (grid_hz >= GAIN_BAND_HZ[0] - 1.0) & (grid_hz <= GAIN_BAND_HZ[1] + 1.0)
        over = result.quantity.removeprefix("realised_gain").lstrip("_")
        ends = {"mean": curve[inside].mean(), "min": curve[inside].min(),
                "max": curve[inside].max()}  # fmt: skip
        true = float(ends[over] if over else np.interp(result.frequency_hz, grid_hz, curve))  # type: ignore[arg-type]
        region = "near noise" if "near-noise" in result.flags else "mid"
        if true < float(curve.max()) - OUT_OF_BAND_DB:
            region = "out of the antenna's band"
        yield _line(one, f"{name}, {over}" if over else name, region, result, true)


def _line(one: Drawn, quantity: str, region: str, result: Result, true: float) -> Line:
    held = (result.low is None or result.low <= true) and (
        result.high is None or true <= result.high
    )
    return Line(one.seed, quantity, region, held, result.value, result.low, result.high, true,
                result.flags, result.frequency_hz)  # fmt: skip


def _drift_lines(one: Drawn, *, other: bool) -> Iterator[Line]:
    """What a kelvin does to the level, by the recipe `drift`: source and analyzer together."""
    bench = bench_of(one, METHODS["three antennas"], other=other)
    virtual = WatchedBench(one.world, bench, _hands_off)
    virtual.pause_s = 700.0
    arguments = {"times": str(DRIFT_TIMES), "points": "11", "level": f"{one.level_dbm} dBm",
                 "position": "short" if one.switched else "none"}  # fmt: skip
    recipe = _recipe((RECIPES / "drift.yaml").read_text(), "drift")
    results = virtual.run(resolve(recipe, bench, arguments))
    model = one.world.model
    true = model.source.drift_db_per_k + model.analyzer.drift_db_per_k
    for result in results:
        if result.quantity == "temperature_coefficient":
            yield _line(one, "temperature coefficient", "all", result, true)


def _hands_off(workbench: Workbench, ask: str) -> None:
    """By hand the short is fitted once."""
    del ask
    if workbench.world.model.layout == "by-hand":
        workbench.move(lambda: workbench.world.connect("middle"))
        workbench.move(lambda: workbench.world.place("middle", "short"))
