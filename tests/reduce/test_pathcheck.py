"""What a working path can read, and what it cannot. Levels in dBm, made by hand."""

from __future__ import annotations

import math

import numpy as np
import pytest
from scipy import stats

from benchd.reduce.pathcheck import (
    Run,
    at_noise,
    below_leak,
    chance_of_equal,
    display_step_db,
    falls_to_noise,
    noise_over,
    repeats,
    runs,
    stands_still,
    too_high,
    too_low,
)

GRID = np.linspace(1.45e9, 1.95e9, 201)
LEAK = np.full(GRID.shape, 33.0)
NOISE = np.full(GRID.shape, -108.0)


def antenna(depth_db: float, q: float = 10.0) -> np.ndarray:
    """How far a resonant antenna reads below a full reflection: |G + D| with the worst phase."""
    leak, least = 10 ** (-33.0 / 20), 10 ** (-depth_db / 20)
    off = 1j * q * (GRID / 1.7e9 - 1.7e9 / GRID)
    gamma = (off / (2 + off)) + least
    return np.asarray(-20 * np.log10(np.maximum(np.abs(gamma - leak), 1e-6)))


@pytest.mark.parametrize("depth_db", [10.0, 20.0, 33.0, 40.0, 60.0])
@pytest.mark.parametrize("q", [1.0, 3.0, 10.0, 60.0])
def test_no_antenna_however_deep_its_match_is_a_broken_path(depth_db: float, q: float) -> None:
    assert below_leak(GRID, antenna(depth_db, q), LEAK) is None


def test_a_load_behind_a_coupler_far_better_than_stated_is_no_broken_path() -> None:
    assert below_leak(GRID, np.full(GRID.shape, 58.0), LEAK, wide=False) is None
    assert below_leak(GRID, np.full(GRID.shape, 52.0), LEAK) is None


def test_a_run_without_even_the_leak_is_found_where_it_lies() -> None:
    below = antenna(20.0)
    below[100:120] = 72.0
    assert below_leak(GRID, below, LEAK) == Run(100, 119)
    below = antenna(20.0)
    below[100:110] = 55.0  # 22.5 MHz at 22 dB below the leak
    assert below_leak(GRID, below, LEAK) == Run(100, 109)
    below[100:110] = np.nan  # nothing is known of the path there
    assert below_leak(GRID, below, LEAK) is None


def test_a_narrow_run_is_found_only_at_the_larger_margin() -> None:
    narrow = np.linspace(1.7e9, 1.701e9, 11)
    assert below_leak(narrow, np.full(11, 60.0), np.full(11, 33.0)) is None
    assert below_leak(narrow, np.full(11, 64.0), np.full(11, 33.0)) == Run(0, 10)


def test_an_open_far_below_its_path_is_too_low_and_a_dip_of_two_points_is_not() -> None:
    expected, level = np.full(9, -29.0), np.full(9, -31.0)
    level[3:5] = -60.0
    assert too_low(level, expected, 12.0) is None
    level[3:6] = -60.0
    assert too_low(level, expected, 12.0) == Run(3, 5)
    assert too_low(level, np.full(9, np.nan), 12.0) is None


def test_most_of_a_sweep_above_the_budget_is_too_high_and_a_transmitter_is_not() -> None:
    level = np.full(20, -29.0)
    level[4:10] = 0.0
    assert too_high(level, -27.0) is None
    level[4:16] = 0.0
    assert too_high(level, -27.0) == Run(4, 15)


def test_a_cliff_to_noise_is_found_at_either_end() -> None:
    level = np.full(GRID.shape, -45.0)
    level[120:] = -108.0
    assert falls_to_noise(level, NOISE) == Run(120, 200)
    assert falls_to_noise(level[::-1].copy(), NOISE) == Run(0, 80)
    level[150:] = -45.0
    assert falls_to_noise(level, NOISE) == Run(120, 149)


def test_a_null_that_runs_into_the_noise_has_no_cliff() -> None:
    """A reflection that passes through zero, weak enough to be noise over many points."""
    signal = -85.0 + 20 * np.log10(np.abs(GRID / 1.7e9 - 1.0) * 8 + 1e-9)
    power = 10 ** (signal / 10) + 10 ** (NOISE / 10)
    assert np.count_nonzero(at_noise(10 * np.log10(power), NOISE)) >= 5
    assert falls_to_noise(10 * np.log10(power), NOISE) is None


def test_a_peak_of_the_box_or_a_transmitter_out_of_the_noise_is_no_cliff() -> None:
    level = NOISE + 0.5
    level[50] = -70.0
    level[90:94] = -60.0
    assert falls_to_noise(level, NOISE) is None


def test_noise_of_few_readings_is_their_median_and_of_many_a_curve() -> None:
    few = noise_over(GRID, np.array([1.45e9, 1.7e9, 1.95e9]), np.array([-108.0, -60.0, -107.0]))
    assert few == pytest.approx(np.full(GRID.shape, -107.0))
    many = noise_over(np.array([1.5]), np.arange(20.0), -np.arange(20.0))
    assert many == pytest.approx([-1.5])


@pytest.mark.parametrize("ratio", [0.05, 0.3, 1.0, 3.0])
def test_the_chance_of_equal_readings_is_that_of_the_normal_law(ratio: float) -> None:
    """Against scipy's normal law, summed over where the display's steps may lie."""
    sd, step = 1.0, ratio
    offsets = (np.arange(400) + 0.5) / 400 * step
    edges = np.arange(-2000, 2000)[:, None] * step - offsets
    edges = edges[(np.abs(edges) < 8 + step).any(axis=1)]
    inside = stats.norm.cdf(edges + step, scale=sd) - stats.norm.cdf(edges, scale=sd)
    expected = float(np.mean(np.sum(inside**2, axis=0)))
    assert chance_of_equal(step, sd) == pytest.approx(expected, rel=1e-3)


def test_the_chance_of_equal_readings_without_spread_is_one() -> None:
    assert chance_of_equal(0.01, 0.0) == 1.0
    assert chance_of_equal(1e-9, 1.0) == pytest.approx(1e-9 / 2 / math.sqrt(math.pi))


def test_an_analyzer_that_repeats_a_reading_is_noticed_where_noise_would_show() -> None:
    rng = np.random.default_rng(1)
    level = np.round(-80.0 + rng.normal(0.0, 0.1, 100), 2)
    spread = np.full(100, 0.05)
    assert stands_still(level, display_step_db(level), spread) is None
    level[40:60] = level[40]
    assert stands_still(level, display_step_db(level), spread) == Run(40, 59)


def test_equal_readings_of_a_coarse_display_are_no_standstill() -> None:
    level = np.repeat([-30.0, -30.1, -30.2], 30)
    assert stands_still(level, 0.1, np.full(90, 0.001)) is None
    assert not repeats(level, level.copy(), 0.1, np.full(90, 1e-4))
    assert repeats(level, level.copy(), 0.1, np.full(90, 0.1))
    assert not repeats(level, level + 0.1, 0.1, np.full(90, 0.1))


@pytest.mark.parametrize(
    ("readings", "step"),
    [
        ([-30.0, -31.0], 1.0),
        ([-30.0, -31.5], 0.5),
        ([-30.12, -31.5], 0.02),
        ([-30.123456, -31.5], 1e-6 * 2),
        ([-30.1234567, -31.5], 1e-7),
    ],
)
def test_the_step_of_a_display_is_the_coarsest_that_fits(
    readings: list[float], step: float
) -> None:
    assert display_step_db(np.array(readings)) == pytest.approx(step)


def test_runs_are_whole() -> None:
    assert runs(np.array([True, False, True, True])) == [Run(0, 0), Run(2, 3)]
    assert runs(np.array([False])) == []
