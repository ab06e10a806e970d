"""Which frequencies a refining sweep reads: none too many, and no dip overlooked."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.signal import argrelmin

from benchd.reduce.next_points import (
    Bounds,
    Chosen,
    first_points,
    gaps_of,
    next_points,
)
from benchd.reduce.point_gains import Aims
from tests.generated import many

START_HZ, STOP_HZ, POINTS = 1.45e9, 1.95e9, 201
GRID_HZ = np.round(np.linspace(START_HZ, STOP_HZ, POINTS))
STEP_HZ = 2.5e6
REACH_HZ = 8 * STEP_HZ
FIRST = 26
POINT_S = 0.0135

Gamma = Callable[[Any], Any]


def modes(*each: tuple[float, float, float], stray_ohm: float = 0.0) -> Gamma:
    """An antenna of some parallel circuits in series: (frequency in Hz, Q, ohm) of each."""

    def gamma(f: Any) -> Any:
        ohm = sum(r / (1.0 + 1j * q * (f / f0 - f0 / f)) for f0, q, r in each)
        ohm = ohm + 1j * stray_ohm * f / START_HZ
        return (ohm - 50.0) / (ohm + 50.0)

    return gamma


def swept(
    gamma: Gamma,
    *,
    to_hz: float = 0.5e6,
    at_most: int = POINTS,
    at_most_s: float | None = None,
    sd_db: float = 0.02,
    levels_db: tuple[float, ...] = (10.0,),
    near_hz: float | None = None,
    seed: int = 1,
) -> tuple[Any, Any, Chosen]:
    """What was read of a sweep (mask over the grid), its readings in dB, and why it ended."""
    rng = np.random.default_rng(seed)
    taken, ratio_db = np.zeros(POINTS, dtype=bool), np.zeros(POINTS)
    chosen = Chosen(tuple(first_points(GRID_HZ, REACH_HZ, ())))
    while chosen.at:
        assert not taken[list(chosen.at)].any(), "nothing is read twice"
        for one in chosen.at:
            taken[one] = True
            size = max(float(np.abs(gamma(GRID_HZ[one]))), 1e-4)
            ratio_db[one] = 20.0 * np.log10(size) + sd_db * rng.normal()
        chosen = next_points(
            GRID_HZ,
            taken,
            ratio_db,
            np.full(POINTS, sd_db),
            np.full(POINTS, POINT_S),
            Aims(levels_db, near_hz),
            Bounds(to_hz, at_most, at_most_s),
            elapsed_s=POINT_S * int(taken.sum()),
        )
    return taken, ratio_db, chosen


def crossings_hz(gamma: Gamma, level_db: float = 10.0) -> Any:
    """Where the true curve crosses a return loss."""
    f = np.linspace(START_HZ, STOP_HZ, 50_001)
    over = np.abs(gamma(f)) > 10.0 ** (-level_db / 20.0)
    return f[1:][over[1:] != over[:-1]]


def test_the_first_readings_lie_no_farther_apart_than_the_reach() -> None:
    first = first_points(GRID_HZ, REACH_HZ, ())
    assert (first[0], first[-1], len(first)) == (0, POINTS - 1, FIRST)
    assert np.diff(GRID_HZ[first]).max() <= REACH_HZ * (1.0 + 1e-6)
    # 19 MHz are seven whole steps of 2.5 MHz and a bit.
    assert gaps_of(POINTS, STOP_HZ - START_HZ, 19e6) == 29


def test_frequencies_at_which_values_are_asked_for_are_read_or_lie_between_neighbours() -> None:
    first = first_points(GRID_HZ, REACH_HZ, (1.7025e9, 1.711e9))
    read = set(GRID_HZ[first].tolist())
    assert {1.7025e9, 1.71e9, 1.7125e9} <= read
    assert len(first) == FIRST + 2, "1.71 GHz is among the first readings already"


def test_a_dip_and_its_edges_cost_a_quarter_of_the_grid_and_the_readings_lie_there() -> None:
    gamma = modes((1.7e9, 9.0, 55.0))
    taken, ratio_db, chosen = swept(gamma)
    assert chosen.because == "resonance and edges are as sure as asked for"
    assert chosen.half_width_hz is not None
    assert chosen.half_width_hz <= 0.5e6
    assert int(taken.sum()) <= -(-POINTS // 4)
    # Straight lines between the readings cross the level where the curve itself does.
    size = 10.0 ** (ratio_db[taken] / 20.0)
    fine_hz = np.linspace(START_HZ, STOP_HZ, 50_001)
    over = np.interp(fine_hz, GRID_HZ[taken], size) > 10.0 ** (-10.0 / 20.0)
    edges_hz = fine_hz[1:][over[1:] != over[:-1]]
    np.testing.assert_allclose(edges_hz, crossings_hz(gamma), atol=0.5e6)


def test_a_flat_line_a_slope_and_a_full_reflection_are_done_after_the_first_readings() -> None:
    lines: dict[str, Gamma] = {
        "flat at 3 dB": lambda f: 10.0 ** (-3.0 / 20.0) + 0.0 * f,
        "full reflection": lambda f: 1.0 + 0.0 * f,
        "falls all along": lambda f: 0.97 - 0.4 * (f - START_HZ) / (STOP_HZ - START_HZ),
    }
    for name, gamma in lines.items():
        taken, _, chosen = swept(gamma)
        assert int(taken.sum()) == FIRST, name
        assert (chosen.because, chosen.is_bounded) == ("there is no dip", False), name


def test_a_dip_at_the_end_of_the_sweep_is_read_up_to_the_end() -> None:
    for f0_hz in (START_HZ, STOP_HZ - 4e6):
        taken, _, _ = swept(modes((f0_hz, 30.0, 55.0)))
        near = np.abs(GRID_HZ - f0_hz) <= 4.5 * STEP_HZ
        assert int((taken & near).sum()) >= 4, f0_hz
        assert taken[0]
        assert taken[-1]


def test_noise_alone_makes_it_read_more_and_never_more_than_it_may() -> None:
    gamma = modes((1.7e9, 9.0, 55.0))
    quiet, noisy = (int(swept(gamma, sd_db=sd)[0].sum()) for sd in (0.01, 0.3))
    assert noisy > quiet
    taken, _, chosen = swept(gamma, sd_db=0.3, at_most=45)
    assert int(taken.sum()) == 45
    assert chosen.is_bounded
    assert chosen.because.startswith("at_most_points is reached")


def test_the_time_bounds_a_sweep_as_well() -> None:
    taken, _, chosen = swept(modes((1.7e9, 9.0, 55.0)), at_most_s=30.5 * POINT_S)
    assert int(taken.sum()) == 30
    assert chosen.is_bounded
    assert chosen.because.startswith("at_most_time is reached")


def test_of_two_dips_the_wanted_one_gets_the_edges() -> None:
    gamma = modes((1.55e9, 25.0, 52.0), (1.85e9, 25.0, 60.0))
    low, high = (
        swept(gamma, near_hz=near_hz, to_hz=0.02e6, sd_db=0.001)[0] for near_hz in (1.55e9, 1.85e9)
    )
    edges = crossings_hz(gamma)
    assert edges.size == 4
    for taken, wanted in ((low, edges[:2]), (high, edges[2:])):
        for edge_hz in wanted:
            assert np.sort(np.abs(GRID_HZ[taken] - edge_hz))[1] <= 2 * STEP_HZ
    # The edges of the other one lie in the gaps that the first readings left.
    gaps = [np.diff(GRID_HZ[taken]) for taken in (low, high)]
    there = [np.searchsorted(GRID_HZ[taken], edges) - 1 for taken in (low, high)]
    widths = np.array([gap[at] for gap, at in zip(gaps, there, strict=True)])
    assert widths[0, :2].sum() < widths[1, :2].sum()
    assert widths[1, 2:].sum() < widths[0, 2:].sum()


def test_what_a_reading_costs_decides_between_two_that_tell_the_same() -> None:
    """A dip in the middle, noise at both edges alike: where a reading takes longer, fewer lie."""
    gamma = modes((1.7e9, 9.0, 50.0))
    taken = np.zeros(POINTS, dtype=bool)
    taken[first_points(GRID_HZ, REACH_HZ, ())] = True
    taken[60:141:2] = True
    ratio_db = 20.0 * np.log10(np.maximum(np.abs(gamma(GRID_HZ)), 1e-4))
    for slow in (GRID_HZ < 1.7e9, GRID_HZ > 1.7e9):
        cost_s = np.where(slow, 100.0, 1.0) * POINT_S
        chosen = next_points(
            GRID_HZ, taken, ratio_db, np.full(POINTS, 0.3), cost_s, Aims(()), Bounds(1e4, POINTS)
        )
        assert chosen.at
        assert not slow[list(chosen.at)].any()


def dips_of(gamma: Gamma) -> list[tuple[float, float, float, float, float]]:
    """True dips that stand 6 dB and more over their surroundings and reach as wide as the coarse
    grid: frequency, return loss, the ends of where they stand out by 1 dB, and the return loss of
    the surroundings."""
    f = np.linspace(START_HZ, STOP_HZ, 8_001)
    loss_db = -20.0 * np.log10(np.abs(gamma(f)) + 1e-9)
    found: list[tuple[float, float, float, float, float]] = []
    for at in argrelmin(np.abs(gamma(f)), order=3)[0]:
        deeper = np.flatnonzero(loss_db > loss_db[at])
        left, right = deeper[deeper < at], deeper[deeper > at]
        top_db = max(
            loss_db[left[-1] if left.size else 0 : at + 1].min(),
            loss_db[at : right[0] + 1 if right.size else None].min(),
        )
        low = np.flatnonzero(loss_db <= top_db + 1.0)
        first = low[low < at][-1] if (low < at).any() else 0
        last = low[low > at][0] if (low > at).any() else f.size - 1
        if loss_db[at] - top_db >= 6.0 and f[last] - f[first] >= REACH_HZ:
            ends = (float(f[first]), float(f[last]))
            found.append((float(f[at]), float(loss_db[at]), *ends, float(top_db)))
    return found


@settings(max_examples=many(150), deadline=None)
@given(
    each=st.lists(
        st.tuples(st.floats(1.46e9, 1.94e9), st.floats(6.0, 250.0), st.floats(20.0, 120.0)),
        min_size=1,
        max_size=3,
    ),
    stray_ohm=st.floats(-8.0, 8.0),
    sd_db=st.sampled_from([0.01, 0.1]),
    seed=st.integers(0, 9),
)
def test_no_dip_within_reach_is_overlooked_with_a_quarter_of_the_points(
    each: list[tuple[float, float, float]], stray_ohm: float, sd_db: float, seed: int
) -> None:
    gamma = modes(*each, stray_ohm=stray_ohm)
    taken, ratio_db, _ = swept(gamma, at_most=-(-POINTS // 4), sd_db=sd_db, seed=seed)
    for f_hz, deep_db, first_hz, last_hz, around_db in dips_of(gamma):
        inside = taken & (first_hz <= GRID_HZ) & (last_hz >= GRID_HZ)
        seen_db = float((-ratio_db[inside]).max(initial=0.0))
        # It stands out among the readings, too. A narrow tip may lie between two frequencies of the
        # grid, which no sweep over it sees.
        assert seen_db >= around_db + 3.0, (f_hz, deep_db)


@pytest.mark.parametrize("seed", range(3))
def test_a_narrow_second_dip_beside_a_wide_one_is_read(seed: int) -> None:
    narrow_hz = 1.6e9 + seed * 7e6
    gamma = modes((1.8e9, 8.0, 52.0), (narrow_hz, 90.0, 60.0))
    taken, ratio_db, _ = swept(gamma, at_most=51, seed=seed)
    (there,) = [one for one in dips_of(gamma) if abs(one[0] - narrow_hz) < 10e6]
    inside = taken & (there[2] <= GRID_HZ) & (there[3] >= GRID_HZ)
    assert float((-ratio_db[inside]).max()) >= there[1] - 3.0
