"""Sweeps that refine, beside whole ones on the same benches: is a quarter of the points as good?

Each bench of the simulators' make is measured twice over one baseline, by `return-loss` and by
`return-loss-refined`. Every interval of both is held against the truth.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from dataclasses import replace

import numpy as np

from benchd.results import Result
from benchd.traces import Role
from tests.coverage_study.draw import drawn
from tests.coverage_study.memory import VirtualBench
from tests.coverage_study.owner import bench_of
from tests.coverage_study.study import (
    Line,
    best_hz,
    reflection_lines,
    stand_in,
    worksheet_of,
)

POINTS = 201
READ = "points_read"
"""Not a result: how many points a sweep read; its `truth` is how many the whole grid has."""
SWEEPS = {"whole": "return-loss", "refined": "return-loss-refined"}
LEVELS = (("At a comfortable level", -40.0, 99.0), ("Near the noise", -999.0, -40.0))
"""Names of the benches' levels, and from which to which, dBm."""
COMPARED = ("resonance_frequency", "bandwidth_low_edge", "bandwidth_high_edge")


def refined_lines_of(seed: int) -> list[Line]:
    """Every stated interval of the two sweeps of one bench."""
    one = drawn(seed)
    bench = bench_of(one)
    truth = one.world.truth()["antennas"]["antenna"]
    virtual = VirtualBench(one.world, bench, stand_in)
    sweep = {
        "centre": "1.7 GHz",
        "span": "500 MHz",
        "points": str(POINTS),
        "level": f"{one.level_dbm} dBm",
    }
    virtual.wait(600.0)
    by_hand = {} if one.switched else {"position": "none"}
    baseline = "open-short-baseline" if one.switched else "open-short-baseline-by-hand"
    virtual.run(worksheet_of(baseline, bench, [], **sweep, **by_hand))
    virtual.wait(one.pause_s)
    if not one.switched:
        stand_in(virtual.workbench, "Fit the antenna to the port.")
    found: list[Line] = []
    at_hz = sorted({1.7e9, best_hz(truth)})
    for region, recipe in SWEEPS.items():
        sheet = worksheet_of(recipe, bench, at_hz, antenna="antenna", **sweep, **by_hand)
        results = virtual.run(sheet)
        (test,) = [c for c in virtual.shelf.kept if c.role is Role.TEST][-1:]
        lines = reflection_lines(one, bench, truth, _without_trim(results))
        found += [replace(line, region=f"{region}, {line.region}") for line in lines]
        count = float(test.level.values.size)
        found.append(Line(seed, READ, region, True, count, None, None, float(POINTS), test.flags))
    return found


def _without_trim(results: Iterable[Result]) -> list[Result]:
    return [one for one in results if one.quantity != "trim_per_arm"]


def points_words(lines: list[Line]) -> str:
    """How many points were read, and how much wider intervals are than those of whole sweeps: of
    benches at a comfortable level, and of those near the noise."""
    words = []
    for name, low, high in LEVELS:
        read = [
            line
            for line in lines
            if line.quantity == READ
            and line.region == "refined"
            and low <= drawn(line.seed).level_dbm < high
        ]
        counts = np.array([line.value for line in read])
        early = sum("refined-in-part" in line.flags for line in read)
        words.append(
            f"{name}: {np.median(counts):.0f} of {POINTS} points read at the median, "
            f"{counts.max():.0f} at most; {early} of {len(read)} sweeps ended at their bound. "
            "Half-widths over those of the whole sweep, at the median and in 95 % of benches: "
        )
        seeds = {line.seed for line in read}
        told = []
        for quantity in COMPARED:
            found = list(_ratios(lines, quantity, seeds))
            ends = f"{np.median(found):.2f} and {np.quantile(found, 0.95):.2f}"
            told.append(f"{quantity.replace('_', ' ')} {ends}")
        words[-1] += "; ".join(told)
    return ".\n\n".join(words) + "."


def _ratios(lines: list[Line], quantity: str, seeds: set[int]) -> Iterator[float]:
    half: dict[tuple[int, str], float] = {}
    for line in lines:
        if line.quantity == quantity and line.low is not None and line.high is not None:
            half[line.seed, line.region.partition(",")[0]] = (line.high - line.low) / 2.0
    for (seed, region), value in half.items():
        if region == "refined" and seed in seeds and (seed, "whole") in half:
            yield value / half[seed, "whole"]
