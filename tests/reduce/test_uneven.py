"""Reducing traces whose frequencies lie unevenly: the same as on an even grid where they are."""

from __future__ import annotations

import numpy as np
import pytest
from numpy.testing import assert_allclose

from benchd.reduce.bandwidth import band_results
from benchd.reduce.budget_inputs import Known, ReflectionKnowledge
from benchd.reduce.gamma_squared import bent_weights, smooth, smooth_bent
from benchd.reduce.near_noise import straightened_dbm
from benchd.reduce.reflection import reflection_at
from benchd.reduce.resonance import resonance
from benchd.reduce.uneven import even_size, is_even, roughness_db, smoothed

GRID_HZ = np.round(np.linspace(1.45e9, 1.95e9, 201))
PART = np.unique(np.concatenate([np.arange(0, 201, 8), np.arange(70, 131)]))
INSIDE = slice(12, -12)


def dip_db(frequency_hz: np.ndarray) -> np.ndarray:
    """A resonant circuit of 60 ohm and Q 28 at 1.7 GHz, dB."""
    ohm = 60.0 / (1.0 + 28j * (frequency_hz / 1.7e9 - 1.7e9 / frequency_hz))
    found: np.ndarray = 20.0 * np.log10(np.abs((ohm - 50.0) / (ohm + 50.0)))
    return found


def test_steps_of_whole_hertz_are_even_and_those_of_a_sweep_that_chose_are_not() -> None:
    assert is_even(np.round(np.linspace(1.0e9, 1.0e9 + 7e6, 1001)))
    assert not is_even(GRID_HZ[PART])
    assert even_size(GRID_HZ[PART]) == even_size(GRID_HZ) == 201


def test_averaging_over_hz_is_the_running_mean_and_the_parabola_of_an_even_grid() -> None:
    values = np.random.default_rng(1).normal(size=201)
    mean, share = smoothed(GRID_HZ, values, 9, 1)
    assert_allclose(mean[INSIDE], smooth(values, 9)[INSIDE], atol=1e-9)
    assert_allclose(share[INSIDE], 1.0 / 9.0, atol=1e-9)
    weights = bent_weights(13)
    bent, share = smoothed(GRID_HZ, values, 13, 2)
    assert_allclose(bent[INSIDE], smooth_bent(values, weights)[INSIDE], atol=1e-6)
    assert_allclose(share[INSIDE], float(weights @ weights), atol=1e-6)


def test_where_readings_lie_close_they_are_averaged_as_on_the_whole_grid_else_left_alone() -> None:
    values = np.random.default_rng(2).normal(size=201)
    part = smooth(values[PART], 9, GRID_HZ[PART])
    whole = smooth(values, 9)[PART]
    close = (PART >= 74) & (PART <= 126)
    assert_allclose(part[close], whole[close], atol=1e-9)
    far = (PART < 64) | (PART > 136)
    assert_allclose(part[far], values[PART][far])


def test_a_straight_line_stays_one_however_its_points_lie() -> None:
    line = 3.0 + GRID_HZ[PART] / 1e8
    assert_allclose(smooth(line, 9, GRID_HZ[PART]), line, atol=1e-6)


def test_roughness_is_noise_alone_also_where_the_curve_bends_between_wide_gaps() -> None:
    rng = np.random.default_rng(3)
    quiet = dip_db(GRID_HZ[PART])
    assert roughness_db(quiet, GRID_HZ[PART]) < 0.002
    # Half of the points far apart: by number, their bends would pass for a tenth of a decibel.
    few = np.unique(np.concatenate([np.arange(0, 201, 8), np.arange(90, 111)]))
    curve = dip_db(GRID_HZ[few])
    assert roughness_db(curve) > 0.02
    assert roughness_db(curve, GRID_HZ[few]) < 0.01
    told = [roughness_db(quiet + rng.normal(0.0, 0.2, PART.size), GRID_HZ[PART]) for _ in range(60)]
    assert float(np.median(told)) == pytest.approx(0.2, rel=0.15)
    even = rng.normal(0.0, 0.2, 201)
    assert roughness_db(even, GRID_HZ) == roughness_db(even)


def test_between_two_readings_the_error_of_the_straight_line_follows_their_own_distance() -> None:
    known = ReflectionKnowledge(noise_sd_db=Known(0.01))
    f, ratio_db = GRID_HZ[PART], dip_db(GRID_HZ[PART])
    for at_hz in (1.4901e9, 1.56e9, 1.6512e9, 1.7013e9, 1.8613e9):
        point = reflection_at(f, ratio_db, at_hz, known)
        (missed,) = [line for line in point.budget.terms if line.name == "interpolation"]
        true_db = -float(dip_db(np.array([at_hz]))[0])
        read_db = -20.0 * np.log10(point.gamma)
        # Half a hundredth of a decibel is what the noise's own bias takes off.
        assert abs(read_db - true_db) <= missed.size + 0.005, at_hz
        assert missed.size <= 0.6, at_hz


def test_near_the_noise_only_neighbours_at_hand_make_a_level_straight() -> None:
    f = np.array([0.0, 80.0, 160.0, 161.0, 162.0, 163.0, 164.0, 240.0]) * 1e6 + 1e9
    read = np.array([20.0, 20.0, 3.0, 3.2, 2.9, 3.1, 3.0, 20.0])
    close = straightened_dbm(read, 0.0, "rms", 4.0, 4, f)
    assert close == straightened_dbm(read[2:7], 0.0, "rms", 4.0, 2)
    edge = straightened_dbm(read, 0.0, "rms", 4.0, 2, f)
    assert edge == straightened_dbm(read[2:5], 0.0, "rms", 4.0, 0)


@pytest.mark.parametrize("noise_db", [0.05, 0.6])
def test_resonance_and_edges_of_a_part_are_those_of_the_whole_within_a_third_of_the_interval(
    noise_db: float,
) -> None:
    """All of the dip is in the part, so that it tells as much of it as the whole does."""
    known = ReflectionKnowledge(noise_sd_db=Known(noise_db))
    rng = np.random.default_rng(4)
    ratio_db = dip_db(GRID_HZ) + rng.normal(0.0, noise_db, 201)
    whole, part = (
        (GRID_HZ, ratio_db),
        (GRID_HZ[PART], ratio_db[PART]),
    )
    first, second = (resonance(*one, known) for one in (whole, part))
    assert first.budget is not None
    assert second.budget is not None
    assert abs(first.frequency_hz - second.frequency_hz) <= first.budget.expanded / 3.0
    assert second.budget.expanded == pytest.approx(first.budget.expanded, rel=0.25)
    for one, other in zip(
        band_results(*whole, 10.0, 1.7e9, known),
        band_results(*part, 10.0, 1.7e9, known),
        strict=True,
    ):
        assert one.expanded_uncertainty is not None
        assert abs(one.value - other.value) <= one.expanded_uncertainty / 3.0, one.quantity
        assert other.expanded_uncertainty == pytest.approx(one.expanded_uncertainty, rel=0.35)
