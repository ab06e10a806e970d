"""Refining over antennas and benches of another hand: circuits of two modes, Yagis by NEC2.

The readings are those of a whole sweep of a foreign bench, leak and noise included. The chooser is
shown those that it asks for, and benchd reduces them as it would a refined capture.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from typing import Any

import numpy as np
import pytest

from benchd.known.captures import BenchKnowledge, JobCaptures
from benchd.known.carrier_levels import carrier_trace
from benchd.reduce.next_points import Bounds, Chosen, first_points, next_points
from benchd.reduce.normalise import normalised
from benchd.reduce.point_gains import Aims
from benchd.reductions.reflection import reduce_reflection
from benchd.reductions.reflection_settings import Reflection as Settings
from benchd.results import Result
from benchd.sweeps import RefineTo
from benchd.traces import Capture
from tests.coverage_study.antennas import Antenna, dual, yagi
from tests.coverage_study.foreign import Foreign, bench_of, captures, drawn_foreign, results
from tests.coverage_study.memory import Shelf

FAR = 5_000_000
"""Added to a seed, so that these benches are others than those of the study."""
GRID_POINTS = 201
STEPS_OF_REACH = 8
SD_DB = 0.03
LEAST_DB = 6.0

KINDS: dict[str, Callable[[np.random.Generator], Antenna]] = {"two dips": dual, "yagi": yagi}


def drawn(kind: str, seed: int) -> Foreign:
    """A bench at a comfortable level with an antenna of that kind, swept over 201 points."""
    one = drawn_foreign(FAR + seed, KINDS[kind])
    bench = replace(one.bench, dynamic_db=65.0)
    return replace(one, bench=bench, antenna=replace(one.antenna, points=GRID_POINTS))


def read(grid_hz: Any, ratio_db: Any) -> Any:
    """Which of the readings of a whole sweep a refining one asks for: a mask."""
    step_hz = (grid_hz[-1] - grid_hz[0]) / (grid_hz.size - 1)
    middle_hz = float(grid_hz[0] + grid_hz[-1]) / 2.0
    taken = np.zeros(grid_hz.size, dtype=bool)
    chosen = Chosen(tuple(first_points(grid_hz, STEPS_OF_REACH * step_hz, (middle_hz,))))
    while chosen.at:
        taken[list(chosen.at)] = True
        chosen = next_points(
            grid_hz,
            taken,
            ratio_db,
            np.full(grid_hz.size, SD_DB),
            np.ones(grid_hz.size),
            Aims((10.0,)),
            Bounds(to_hz=0.2 * step_hz, at_most_points=-(-grid_hz.size // 4)),
        )
    return taken


def refined(one: Foreign) -> tuple[tuple[Result, ...], int]:
    """benchd's results from the readings that a refining sweep asks for, and their number."""
    bench = bench_of(one)
    made = captures(one, bench)
    whole = made["test"]
    standards = [carrier_trace(made[role]) for role in ("open", "short")]
    taken = read(whole.level.frequency_hz, normalised(whole.level, standards).decibels)
    shelf = Shelf([made["open"], made["short"], _part(whole, taken)])
    settings = Settings.from_stored({
        "kind": "reflection",
        "test": "test",
        "baseline": {"open": "open", "short": "short"},
        "design_frequency_hz": sum(one.antenna.sweep_hz) / 2.0,
    })  # fmt: skip
    job = JobCaptures(shelf, "job-1", "reduce reflection")
    found = reduce_reflection(settings, job, BenchKnowledge(bench, shelf))
    return found.results, int(taken.sum())


def _part(whole: Capture, taken: Any) -> Capture:
    level = whole.level
    part = replace(level, axis=level.frequency_hz[taken], values=level.values[taken])
    refine = RefineTo(to_hz=1e6, reach_hz=1e8, at_most_points=51)
    return replace(
        whole,
        traces=(part, *whole.traces[1:]),
        settings=whole.settings.model_copy(update={"refine": refine}),
    )


def dips_of(found: tuple[Result, ...]) -> list[Result]:
    names = ("resonance_frequency", "further_resonance_frequency")
    dips = [one for one in found if one.quantity in names and one.low is not None]
    return sorted(dips, key=lambda one: one.value)


@pytest.mark.parametrize(
    ("kind", "seed"), [*(("two dips", seed) for seed in range(5)), ("yagi", 0)]
)
def test_dips_and_edges_are_those_of_the_whole_sweep_from_a_quarter_of_its_readings(
    kind: str, seed: int
) -> None:
    one = drawn(kind, seed)
    whole_results = results(one, [])
    fewer, points = refined(one)
    assert points <= -(-GRID_POINTS // 4)
    first, second = dips_of(whole_results), dips_of(fewer)
    deep = [at_hz for at_hz, depth_db in one.antenna.dips() if depth_db > LEAST_DB]
    assert first
    assert deep
    # Every dip that the whole sweep tells is told by a quarter of it, at the same place.
    for whole in first:
        assert whole.low is not None
        assert whole.high is not None
        if not any(whole.low <= at_hz <= whole.high for at_hz in deep):
            continue  # made by leak or noise, which other readings need not show
        part = min(second, key=lambda found: abs(found.value - whole.value))
        assert abs(part.value - whole.value) <= (whole.high - whole.low) / 4.0
    edges = [
        {r.quantity: r for r in found if r.quantity.endswith("_edge") and r.low is not None}
        for found in (whole_results, fewer)
    ]
    for name, whole in edges[0].items():
        part = edges[1][name]
        assert whole.expanded_uncertainty is not None
        assert part.expanded_uncertainty is not None
        assert abs(part.value - whole.value) <= whole.expanded_uncertainty / 2.0, name
        assert part.expanded_uncertainty <= 1.25 * whole.expanded_uncertainty, name
