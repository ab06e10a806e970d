"""What each qualification says of made-up numbers, good and bad: values and sentences."""

from __future__ import annotations

import math

import numpy as np
import pytest

from benchd.errors import ReductionRefused
from benchd.reduce.compare import compare
from benchd.reduce.qualify.comparison import question_results
from benchd.reduce.qualify.drift import drift_results
from benchd.reduce.qualify.leakage import (
    Shielding,
    leakage_results,
    shielding,
    transmitters,
)
from benchd.reduce.qualify.reflectivity import Line, reflectivity_results, usable_from_hz, walls
from benchd.reduce.qualify.repeatability import repeatability_results
from benchd.reduce.qualify.stillness import movement, stillness_results
from benchd.results import Result

GRID = np.linspace(1.5e9, 1.9e9, 41)


def by_name(results: list[Result]) -> dict[str, Result]:
    found: dict[str, Result] = {}
    for one in results:
        found.setdefault(one.quantity, one)
    return found


def noise(repeats: int, sd_db: float, seed: int, size: int = GRID.size) -> np.ndarray:
    return np.random.default_rng(seed).normal(-40.0, sd_db, (repeats, size))


# -- repeatability ------------------------------------------------------------------------------


def test_the_repeatability_of_a_joint_comes_with_its_interval_and_freedom() -> None:
    """One error per reconnection, the same over the band: freedom is reconnections less one."""
    errors = np.random.default_rng(1).normal(0.0, 0.05, 8)
    levels = -40.0 + errors[:, np.newaxis] + np.zeros(GRID.size)
    found = by_name(repeatability_results(GRID, levels, [1.7e9]))
    spread = found["repeatability_spread"]
    assert spread.value == pytest.approx(float(np.std(errors, ddof=1)), rel=1e-9)
    assert spread.budget is not None
    assert spread.budget.degrees_of_freedom == 7.0
    assert spread.low is not None
    assert spread.high is not None
    assert spread.low < 0.05 < spread.high
    assert found["repeatability_verdict"].value == 1.0
    assert "State it as the repeatability" in found["repeatability_verdict"].note


def test_a_loose_joint_and_a_bad_cable_get_their_own_advice() -> None:
    loose = by_name(repeatability_results(GRID, noise(8, 0.3, 2), []))["repeatability_verdict"]
    assert (loose.value, "torque wrench" in loose.note) == (0.0, True)
    bent = by_name(repeatability_results(GRID, noise(8, 0.02, 3), [], bent_db=noise(8, 0.4, 4)))
    assert bent["repeatability_verdict"].value == 0.0
    assert "fix its course with clamps" in bent["repeatability_verdict"].note


def test_two_reconnections_show_no_spread() -> None:
    with pytest.raises(ReductionRefused, match="2 reconnections show no spread, at least 3"):
        repeatability_results(GRID, noise(2, 0.1, 5), [])


# -- stillness ----------------------------------------------------------------------------------


def test_a_person_who_is_not_there_is_not_seen() -> None:
    """In 200 draws at most a handful of false alarms at 1 %."""
    seen = [
        movement(noise(8, 0.02, 2 * seed), noise(8, 0.02, 2 * seed + 1)).is_seen
        for seed in range(200)
    ]
    assert sum(seen) <= 7


def test_a_person_behind_a_leaky_lid_is_seen_and_measured() -> None:
    one = movement(noise(8, math.hypot(0.02, 0.3), 11), noise(8, 0.02, 12))
    assert one.is_seen
    assert one.added_db == pytest.approx(0.3, rel=0.1)
    opened = movement(noise(8, 0.9, 13), noise(8, 0.02, 14))
    verdict = by_name(stillness_results(GRID, one, opened, [1.7e9]))["stillness_verdict"]
    assert verdict.value == 0.0
    assert "Even with the lid closed people moving add 0.28 dB" in verdict.note
    assert "measure with it closed" in verdict.note


def test_a_person_who_is_seen_but_too_weak_to_matter_is_no_fault() -> None:
    one = movement(noise(8, 0.06, 21), noise(8, 0.01, 22))
    verdict = by_name(stillness_results(GRID, one, None, []))["stillness_verdict"]
    assert one.is_seen
    assert (verdict.value, "less than the 0.10 dB that matter" in verdict.note) == (1.0, True)


# -- leakage ------------------------------------------------------------------------------------


def test_shielding_that_drowns_in_noise_is_a_least_one() -> None:
    opened = np.full(GRID.size, -40.0)
    found = shielding("lid", GRID, opened, np.full(GRID.size, -104.0), -110.0)
    assert found.is_least.all()
    np.testing.assert_allclose(found.shielding_db, 64.0)
    results = by_name(leakage_results([found], [], linearity_db=0.2, is_linearity_known=True))
    assert results["shielding_min"].high is None
    assert "near-noise" in results["shielding_min"].flags
    assert "shields by at least 64 dB" in results["leakage_verdict"].note


def flat(place: str, size_db: float) -> Shielding:
    return Shielding(place, GRID, np.full(GRID.size, size_db), np.zeros(GRID.size, dtype=bool))


def test_the_weakest_place_decides() -> None:
    results = leakage_results(
        [flat("lid", 40.0), flat("seam", 12.0)], [1.7e9], linearity_db=0.2, is_linearity_known=True
    )
    verdict = by_name(results)["leakage_verdict"]
    assert by_name(results)["shielding_min"].value == 12.0
    assert verdict.value == 0.0
    assert verdict.note.startswith("The seam holds back only 12 dB")
    assert len([one for one in results if one.quantity == "shielding"]) == 4


@pytest.mark.parametrize(
    ("level_dbm", "value", "words"),
    [(-95.0, 1.0, "too weak to matter"), (-70.0, 0.0, "enters with -70 dBm")],
)
def test_a_transmitter_matters_against_the_weakest_reading(
    level_dbm: float, value: float, words: str
) -> None:
    """-88.7 dBm is what 0.1 dB of a reading of -50 dBm allows."""
    verdict = by_name(
        leakage_results(
            [flat("lid", 40.0)], [], linearity_db=0.2, is_linearity_known=True,
            ingress=[(1.8425e9, level_dbm)], reading_dbm=-50.0,
        )
    )["leakage_verdict"]  # fmt: skip
    assert (verdict.value, words in verdict.note) == (value, True)


def test_peaks_above_held_noise_are_transmitters_and_neighbours_are_one() -> None:
    frequency_hz = np.linspace(1e9, 2e9, 101)
    level = np.full(101, -95.0) + np.random.default_rng(7).normal(0.0, 1.0, 101)
    level[[30, 31, 32]] = [-70.0, -60.0, -72.0]
    level[80] = -50.0
    found = transmitters(frequency_hz, level)
    assert found == [(1.8e9, -50.0), (pytest.approx(1.31e9), -60.0)]
    assert transmitters(frequency_hz, np.full(101, -95.0)) == []


# -- comparison ---------------------------------------------------------------------------------


def asked(first: np.ndarray, second: np.ndarray, worth_db: float = 0.5) -> dict[str, Result]:
    found = compare(first, second, frequency_hz=GRID)
    return by_name(
        question_results(
            GRID, found, [1.7e9], repeats=(first.shape[0], second.shape[0]),
            names=("bonded", "isolated"), worth_db=worth_db,
        )
    )  # fmt: skip


def test_no_difference_comes_with_what_would_have_been_seen() -> None:
    found = asked(noise(6, 0.02, 31), noise(6, 0.02, 32))
    verdict = found["comparison_verdict"]
    assert verdict.value == 1.0
    assert "No difference seen between bonded and isolated; a difference above" in verdict.note
    assert 0.02 < found["visible_difference"].value < 0.5


def test_a_blind_comparison_is_not_passed_off_as_no_difference() -> None:
    verdict = asked(noise(2, 0.3, 33), noise(2, 0.3, 34))["comparison_verdict"]
    assert (verdict.value, verdict.low, verdict.high) == (0.5, 0.0, 1.0)
    assert "there may be one of up to" in verdict.note
    assert "repeat more often" in verdict.note


def test_a_real_difference_is_called_one_and_holds_the_truth() -> None:
    found = asked(noise(6, 0.02, 35), noise(6, 0.02, 36) + 1.0)
    assert found["comparison_verdict"].value == 0.0
    assert "keep to one of them" in found["comparison_verdict"].note
    at = found["difference"]
    assert at.low is not None
    assert at.high is not None
    assert at.low <= 1.0 <= at.high


def test_the_interval_of_a_difference_has_the_width_of_students_t() -> None:
    """u = s sqrt(1/6 + 1/6), k = 2.228 for nu = 10 (table of Student's t, JCGM 100, G.2)."""
    first, second = noise(6, 0.02, 37), noise(6, 0.02, 38)
    at = asked(first, second)["difference"]
    here = int(np.argmin(np.abs(GRID - 1.7e9)))
    squares = sum(((part - part.mean(axis=0)) ** 2).sum(axis=0)[here] for part in (first, second))
    expected = 2.228 * math.sqrt(squares / 10.0) * math.sqrt(2.0 / 6.0)
    assert at.expanded_uncertainty == pytest.approx(expected, rel=1e-3)


# -- reflectivity -------------------------------------------------------------------------------


def lines(ratio_db: float, step_m: float = 0.022, places: int = 8) -> list[Line]:
    """A direct ray and one reflection of the given relative level, from the end or the side."""
    found = []
    for name, turns in (("end walls", 2.0), ("side walls", 1.4)):
        moved = step_m * np.arange(places)
        distance = 0.4 - moved if name == "end walls" else np.full(places, 0.4)
        phase = 2.0 * np.pi * GRID / 299_792_458.0 * turns * moved[:, np.newaxis]
        size = 10.0 ** (ratio_db / 20.0)
        levels = -20.0 * np.log10(distance)[:, np.newaxis]
        levels = levels + 20.0 * np.log10(np.abs(1.0 + size * np.exp(1j * phase)))
        found.append(Line(name, levels, distance, float(moved[-1])))
    return found


def test_a_quiet_box_is_usable_and_a_loud_one_is_not() -> None:
    quiet = walls(GRID, lines(-30.0))
    assert usable_from_hz(quiet, 2.0) == 1.5e9
    good = by_name(reflectivity_results(quiet, [1.7e9], needed_hz=1.5e9))["reflectivity_verdict"]
    assert good.value == 1.0
    loud = walls(GRID, lines(-6.0))
    assert usable_from_hz(loud, 2.0) is None
    bad = by_name(reflectivity_results(loud, [1.7e9], needed_hz=1.5e9))["reflectivity_verdict"]
    assert bad.value == 0.0
    assert bad.note.startswith("Up to 1.9 GHz this box cannot support a gain claim better than")
    assert "walls first" in bad.note


def test_a_claim_within_the_spread_s_own_interval_cannot_be_told() -> None:
    """A spread from 14 degrees of freedom is known to 0.73 to 1.58 of itself (chi-square)."""
    found = walls(GRID, lines(-16.0))
    size_db = 1.96 * float(found.gain_sd_db.max())
    for claim_db, value in ((0.7 * size_db, 0.0), (size_db, 0.5), (1.7 * size_db, 1.0)):
        results = by_name(reflectivity_results(found, [], needed_hz=1.5e9, claim_db=claim_db))
        assert results["reflectivity_verdict"].value == value
        assert ("cannot be told" in results["reflectivity_verdict"].note) == (value == 0.5)


def test_the_spread_of_a_gain_carries_the_freedom_of_its_positions() -> None:
    """16 positions on two lines, a mean taken off each: 14; averaging divides by 4."""
    found = by_name(reflectivity_results(walls(GRID, lines(-20.0)), [1.7e9], needed_hz=1.5e9))
    spread, mean = found["box_gain_spread"], found["box_gain_uncertainty"]
    assert spread.budget is not None
    assert spread.budget.degrees_of_freedom == 14.0
    assert mean.value == pytest.approx(spread.value / 4.0, rel=1e-12)


def test_travel_below_half_a_wavelength_judges_nothing() -> None:
    """8 places 5 mm apart are 35 mm, half a wavelength only above 4.3 GHz."""
    found = walls(GRID, lines(-40.0, step_m=0.005))
    assert not found.is_judged.any()
    verdict = by_name(reflectivity_results(found, [1.7e9], needed_hz=1.5e9))
    assert verdict["reflectivity_verdict"].value == 0.5
    assert "move it further" in verdict["reflectivity_verdict"].note
    assert "short-travel" in verdict["box_gain_spread"].flags


# -- drift --------------------------------------------------------------------------------------

HOURS = np.arange(13) * 3600.0


def watched(
    drift_db_per_h: float, limit_db: float = 0.1, needed_h: float = 6.0
) -> dict[str, Result]:
    levels = -20.0 + drift_db_per_h * HOURS[:, np.newaxis] / 3600.0 + np.zeros(5)
    return by_name(
        drift_results(
            GRID[:5], HOURS, levels, limit_db=0.1, needed_s=needed_h * 3600.0,
            temperature_c=21.0 + HOURS / 7200.0,
        )
    )  # fmt: skip


@pytest.mark.parametrize(
    ("slope", "max_age_h", "value", "words"),
    [
        (0.001, 12.0, 1.0, "longer was not watched"),
        (0.0135, 7.0, 1.0, "Set max_age to 7 h"),
        (0.03, 3.0, 0.0, "Drift keeps within 0.10 dB only for 3 h, not the 6 h needed"),
        (0.2, 0.0, 0.0, "Even from one baseline to the next"),
    ],
)
def test_the_largest_age_follows_from_the_slope(
    slope: float, max_age_h: float, value: float, words: str
) -> None:
    found = watched(slope)
    assert found["max_age"].value == max_age_h * 3600.0
    assert found["drift_verdict"].value == value
    assert words in found["drift_verdict"].note


def test_a_watch_that_was_too_short_is_no_proof() -> None:
    verdict = watched(0.001, needed_h=24.0)["drift_verdict"]
    assert (verdict.value, "watch longer" in verdict.note) == (0.5, True)


def test_noise_that_hides_on_which_side_of_the_limit_a_drift_lies_is_no_verdict() -> None:
    """0.1 dB over the night, which is the limit, read with 0.02 dB of noise."""
    hours = np.arange(0.0, 7.0)
    levels = noise(7, 0.02, 41) + 0.1 * hours[:, np.newaxis] / 6.0
    found = by_name(drift_results(GRID, 3600.0 * hours, levels, needed_s=6 * 3600.0))
    assert found["drift_verdict"].value == 0.5
    assert "average more" in found["drift_verdict"].note


def test_a_drift_far_below_its_limit_is_good_although_noise_makes_the_largest_of_many() -> None:
    hours = np.arange(0.0, 7.0)
    found = by_name(drift_results(GRID, 3600.0 * hours, noise(7, 0.01, 42), needed_s=6 * 3600.0))
    assert found["drift_verdict"].value == 1.0


def test_temperature_takes_its_part() -> None:
    """0.03 dB an hour at half a kelvin an hour: 0.06 dB per kelvin."""
    slope = watched(0.03)["temperature_coefficient"]
    assert slope.value == pytest.approx(0.06, rel=1e-9)
    assert "Temperature changes it by +0.060 dB per kelvin" in watched(0.03)["drift_verdict"].note
