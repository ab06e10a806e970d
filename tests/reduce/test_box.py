"""Ripple, comparison of conditions, drift, far field."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from benchd.errors import ReductionRefused
from benchd.reduce.budget_inputs import Known
from benchd.reduce.compare import compare
from benchd.reduce.drift import (
    drift_over_age_db,
    largest_max_age,
    temperature_coefficient,
    temperature_slope_sd,
)
from benchd.reduce.farfield import phase_centre_correction_db, range_flags
from benchd.reduce.ripple import (
    gain_sd_db,
    peak_to_peak_db,
    reflected_level_db,
    ripple_db,
    travel_is_enough,
)


@given(st.floats(-60, -1), st.floats(-30, 0))
def test_a_reflected_level_comes_back_from_its_ripple(level_db: float, pattern_db: float) -> None:
    swing = peak_to_peak_db(level_db + pattern_db, pattern_db)
    assert reflected_level_db(swing, pattern_db) == pytest.approx(level_db + pattern_db, abs=1e-6)


def test_ripple_of_a_moved_antenna_gives_the_wall() -> None:
    """Direct ray falling by 1.5 dB over the travel, wall 15 dB down: found within 0.5 dB."""
    along = np.linspace(0, 1, 33)
    beat = np.exp(1j * 2 * np.pi * 2 * along)
    level = -1.5 * along + 20 * np.log10(np.abs(1 + 10 ** (-15 / 20) * beat))
    swing = ripple_db(np.stack([level, -1.5 * along], axis=1))
    assert reflected_level_db(float(swing[0])) == pytest.approx(-15.0, abs=0.5)
    assert swing[1] == pytest.approx(0.0, abs=1e-9)
    assert reflected_level_db(0.0) == -np.inf
    with pytest.raises(ReductionRefused, match="4 places cannot show a ripple"):
        ripple_db(np.zeros((4, 1)))


def test_the_spread_of_a_level_beside_a_wall_is_that_of_all_phases() -> None:
    phases = np.exp(1j * np.linspace(0, 2 * np.pi, 1000, endpoint=False))
    levels = 20 * np.log10(np.abs(1 + 10 ** (-20 / 20) * phases))
    assert gain_sd_db(-20.0) == pytest.approx(levels.std(), rel=0.01)
    with pytest.raises(ValueError, match="above the direct ray"):
        peak_to_peak_db(3.0)


def test_half_a_wavelength_is_enough_travel() -> None:
    assert travel_is_enough(0.089, 1.7e9)
    assert not travel_is_enough(0.087, 1.7e9)


def repeats(rng: np.random.Generator, offset: float = 0.0, points: int = 50) -> np.ndarray:
    """Six traces with a spread of 0.1 dB."""
    return offset + rng.normal(0, 0.1, (6, points))


def test_no_difference_comes_with_what_would_have_been_seen() -> None:
    rng = np.random.default_rng(1)
    found = compare(repeats(rng), repeats(rng))
    assert not found.is_different
    assert found.degrees_of_freedom == 10
    assert found.sentence == (
        "No difference seen; a difference above "
        f"{found.visible_db.max():.2g} dB would have been seen."
    )


def test_a_real_difference_is_found_with_its_place() -> None:
    rng = np.random.default_rng(2)
    second = repeats(rng)
    second[:, 20] += 0.8
    f = np.linspace(1e9, 2e9, 50)
    found = compare(repeats(rng), second, frequency_hz=f)
    assert found.is_different
    assert found.sentence.startswith("Different at 1 of 50 frequencies: +0.")
    assert f"at {f[20] / 1e6:.6g} MHz" in found.sentence


def test_false_alarms_and_misses_are_as_rare_as_stated() -> None:
    """400 comparisons: 5 % of whole traces may alarm, and a visible difference is seen in 95 %.

    Limits: three standard deviations of a binomial of 400 at 5 % are 3.3 %.
    """
    rng = np.random.default_rng(3)
    alarms, seen = [], []
    for _ in range(400):
        alarms.append(compare(repeats(rng), repeats(rng)).is_different)
        known = Known(0.1)
        plain = compare(repeats(rng), repeats(rng), repeatability_db=known)
        moved = repeats(rng)
        moved[:, 7] += plain.visible_db[7]
        found = compare(repeats(rng), moved, repeatability_db=known)
        seen.append(abs(found.difference_db[7]) > found.limit_db[7])
    assert 0.017 <= np.mean(alarms) <= 0.083
    assert 0.917 <= np.mean(seen) <= 0.983


def test_single_traces_need_a_known_repeatability() -> None:
    one, two = np.zeros((1, 4)), np.full((1, 4), 0.05)
    with pytest.raises(ReductionRefused, match="one trace of each condition"):
        compare(one, two)
    found = compare(one, two, repeatability_db=Known(0.1, degrees_of_freedom=9, assumed=True))
    assert found.flags == ("assumed-term",)
    assert not found.is_different
    with pytest.raises(ReductionRefused, match="4 and 5 points"):
        compare(one, np.zeros((1, 5)))


def test_a_steady_slope_sets_the_age() -> None:
    """0.1 dB an hour: 0.25 dB allow 2.5 h, so two of the hourly captures."""
    times = 3600.0 * np.arange(9)
    levels = np.stack([0.1 * times / 3600, np.zeros(9)], axis=1)
    age = largest_max_age(times, levels, 0.25)
    assert age.max_age_s == 2 * 3600
    assert age.worst_db == pytest.approx(0.2)
    assert not age.is_whole_watch
    assert drift_over_age_db(times, levels, 3 * 3600) == pytest.approx(0.3)
    assert drift_over_age_db(times, levels, 10.0) == 0.0


def test_a_swing_counts_though_the_night_ends_where_it_began() -> None:
    times = 600.0 * np.arange(37)
    levels = np.sin(2 * np.pi * times / 21600)[:, None]
    assert largest_max_age(times, levels, 0.2).max_age_s <= 600.0
    assert largest_max_age(times, levels, 0.1).max_age_s == 0.0
    quiet = largest_max_age(times, levels / 100, 0.2)
    assert quiet.is_whole_watch
    assert quiet.max_age_s == times[-1]
    with pytest.raises(ReductionRefused, match="at least 3 are needed"):
        largest_max_age(times[:2], levels[:2], 0.1)


def test_temperature_explains_drift() -> None:
    rng = np.random.default_rng(5)
    temperature = 20 + 4 * np.sin(np.linspace(0, 6, 60))
    levels = -0.03 * temperature[:, None] + rng.normal(0, 0.01, (60, 3))
    slope = temperature_coefficient(temperature, levels)
    sd = temperature_slope_sd(temperature, levels)
    assert abs(slope.value + 0.03) < 3 * sd
    assert sd < 0.001
    with pytest.raises(ReductionRefused, match="did not change"):
        temperature_coefficient(np.full(60, 20.0), levels)


def test_near_field_is_judged_by_size_and_by_wavelength() -> None:
    assert range_flags(1.7e9, 1.0, (0.08, 0.2)) == ()
    assert range_flags(1.7e9, 1.0, (0.08, 0.4)) == ("near-field",)
    assert range_flags(1.7e9, 0.08, ()) == ("near-field",)
    assert phase_centre_correction_db(1.0, 0.0) == 0.0
    with pytest.raises(ValueError, match="beyond the range"):
        phase_centre_correction_db(0.4, 0.4)
