"""Two revisions of an antenna on one virtual bench, each measured, then held against each other.

The second revision is the first with its driven element cut longer or shorter by up to 2 %; in a
third of the benches it is the same antenna once more, so that false alarms are counted. Reflection
and gain are measured by the shipped recipes, and `compare-revisions` says what the two differ by.
Every other bench speaks the second family of dialects.
"""

from __future__ import annotations

import re
from collections.abc import Iterator
from dataclasses import dataclass, field, replace
from functools import partial
from typing import Any

import numpy as np

from benchd.bench import Bench, parse_bench
from benchd.errors import ReductionRefused
from benchd.results import Result, ResultRecord
from simulators.instruments.all_instruments import Workbench
from simulators.world import World
from simulators.world.model import WorldModel
from tests.coverage_study.draw import Drawn, generator
from tests.coverage_study.memory import Shelf, VirtualBench
from tests.coverage_study.owner import bench_file
from tests.coverage_study.study import Line
from tests.gain_study.workshop import AT_HZ, DIPOLES, other_words, path_lines, sheet_of, workshop

SAME_SHARE = 1.0 / 3.0
LARGEST_CUT = 0.02
QUANTITIES = ("return_loss", "resonance_frequency", "realised_gain")
NAMES = ("antenna", "antenna r2")


@dataclass
class Files(Shelf):
    """A shelf that answers with the results of its jobs, newest reduction first."""

    records: list[ResultRecord] = field(default_factory=list)

    def file(self, records: list[ResultRecord]) -> None:
        """Keep them before all others."""
        self.records = [*records, *self.records]

    def results(self, **asked: Any) -> list[Any]:
        """Those that agree with all that is asked."""
        limit = asked.pop("limit", None)
        wanted = {key: value for key, value in asked.items() if value is not None}

        def fits(record: ResultRecord) -> bool:
            held = {"quantity": record.result.quantity, "antenna": record.result.antenna,
                    "job_id": record.job_id, "bench": record.bench}  # fmt: skip
            return all(held.get(key) == value for key, value in wanted.items())

        return [record for record in self.records if fits(record)][:limit]


class FiledBench(VirtualBench):
    """A virtual bench whose results can be asked for again."""

    def __init__(self, *given: Any) -> None:
        super().__init__(*given)
        self.shelf = Files()


def with_revision(seed: int, *, other: bool) -> Drawn:
    """The workshop of a seed with the second revision in it."""
    one = workshop(seed, other=other)
    rng = generator(seed, 9)
    cut = 0.0 if rng.random() < SAME_SHARE else float(rng.uniform(-LARGEST_CUT, LARGEST_CUT))
    data = one.world.model.model_dump()
    first = next(antenna for antenna in data["antennas"] if antenna["name"] == NAMES[0])
    driven, *rest = first["elements"]
    driven = driven | {"length_m": driven["length_m"] * (1.0 + cut)}
    second = first | {"name": NAMES[1], "elements": [driven, *rest]}
    data["antennas"] = [*data["antennas"], second]
    return replace(one, world=World(WorldModel.model_validate(data), seed=seed))


def bench_of(one: Drawn, *, other: bool) -> Bench:
    """The owner's bench file, which names both revisions."""
    text = bench_file(one)
    text = text.replace("antennas:\n", f"{path_lines(one, DIPOLES)}antennas:\n", 1)
    antenna = re.search(r"^  antenna: (.*)$", text, flags=re.MULTILINE)
    assert antenna is not None
    text = text.replace(antenna.group(0), f"{antenna.group(0)}\n  {NAMES[1]}: {antenna.group(1)}")
    return parse_bench(other_words(text) if other else text, file=f"drawn-{one.seed}.yaml")


def _hands(workbench: Workbench, ask: str) -> None:
    """By hand: what is named is fitted where it is named."""
    world = workbench.world
    on_range = "mount" in ask
    found = re.search(rf"[Ff]it the (open|short|reference dipole|{NAMES[1]}|{NAMES[0]}) ", ask)
    if found is None:
        found = re.search(rf"the (reference dipole|{NAMES[1]}|{NAMES[0]}) to ", ask)
    assert found is not None, ask
    item = found.group(1)
    workbench.move(lambda: world.connect("range" if on_range else "middle"))
    workbench.move(lambda: world.place("mount_a" if on_range else "middle", item))


def _measure(virtual: FiledBench, one: Drawn) -> None:
    """Reflection and gain of each revision, an hour apart or so."""
    level = {"level": f"{one.level_dbm} dBm"}
    sweep = level | {"centre": "1.7 GHz", "span": "500 MHz", "points": "101"}
    band = level | {"start": "1.6 GHz", "stop": "1.8 GHz", "points": "11"}
    virtual.wait(600.0)
    if one.switched:
        virtual.run(sheet_of("open-short-baseline", virtual.bench, sweep))
    for name in NAMES:
        virtual.wait(one.pause_s)
        if one.switched:
            for position in ("middle", "mount_b"):
                virtual.workbench.move(partial(one.world.place, position, name))
        reflection = "return-loss" if one.switched else "return-loss-by-hand"
        virtual.run(sheet_of(reflection, virtual.bench, sweep | {"antenna": name}))
        gain = "gain-pair-by-switch" if one.switched else "gain-pair-by-swap"
        mount = {} if one.switched else {"position": "none"}
        virtual.run(sheet_of(gain, virtual.bench, band | {"antenna": name} | mount))


def lines_of(seed: int) -> list[Line]:
    """What was said of the differences of one bench's two revisions."""
    other = bool(seed % 2)
    one = with_revision(seed, other=other)
    virtual = FiledBench(one.world, bench_of(one, other=other), _hands)
    _measure(virtual, one)
    truths = [_truth(one.world.truth()["antennas"][name]) for name in NAMES]
    same = truths[0] == truths[1]
    found: list[Line] = []
    for quantity in QUANTITIES:
        sheet = sheet_of("compare-revisions", virtual.bench,
                         {"quantity": quantity, "first": NAMES[0], "second": NAMES[1]})  # fmt: skip
        try:
            results = virtual.run(sheet)
        except ReductionRefused:
            continue  # no dip that is one, or none in both
        true = truths[1][quantity] - truths[0][quantity]
        found += _lines(one, quantity, results, true, "one antenna twice" if same else "cut anew")
    return found


def _lines(
    one: Drawn, quantity: str, results: list[Result], true: float, region: str
) -> Iterator[Line]:
    for result in results:
        if result.quantity != f"{quantity}_difference":
            continue
        at_hz = result.frequency_hz
        if quantity != "resonance_frequency" and (at_hz is None or abs(at_hz - AT_HZ) > 1.0):
            continue
        held = (result.low is None or result.low <= true) and (
            result.high is None or true <= result.high
        )
        yield Line(one.seed, f"difference of {quantity.replace('_', ' ')}", region, held,
                   result.value, result.low, result.high, true, result.flags, at_hz)  # fmt: skip


def _truth(antenna: dict[str, Any]) -> dict[str, float]:
    grid_hz = np.array(antenna["frequency_hz"])
    return {
        "return_loss": float(np.interp(AT_HZ, grid_hz, antenna["in_box"]["return_loss_db"])),
        "resonance_frequency": float(antenna["in_box"]["resonance_hz"]),
        "realised_gain": float(np.interp(AT_HZ, grid_hz, antenna["realised_gain_dbi"])),
    }
