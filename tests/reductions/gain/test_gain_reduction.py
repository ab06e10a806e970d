"""Gain from stored captures: drift in time, places, phase centres, noise, knowledge."""

from __future__ import annotations

import math
from typing import Any

import numpy as np
import pytest
from numpy.testing import assert_allclose

from benchd.errors import NormalisationRefused, ReductionRefused
from benchd.reduce.decibels import free_space_path_loss_db, mismatch_loss_db
from tests.reductions.captures import GRID, Notebook, changed, contributions, one, terms_of

AT = 1.7e9
OPTIONS: dict[str, Any] = {
    "method": "substitution",
    "match": "none",
    "at_hz": [AT],
    "band_hz": [1.695e9, 1.705e9],
    "antenna": "dipole r3",
    "reference_antenna": "reference dipole",
    "follow_drift": True,
}


def pair(notebook: Notebook, test_dbm: float, *references: tuple[float, float], at_s: float) -> Any:
    """A test capture at a time, and references (time, level); the options of the reduction."""
    notebook.capture("test", "test", test_dbm, at_s=at_s, position="mount_b", antenna="dipole r3")
    names = {}
    for number, (moment, level) in enumerate(references, 1):
        name = f"ref {number}"
        notebook.capture(name, "reference", level, at_s=moment, position="mount_a",
                         antenna="reference dipole")  # fmt: skip
        names["reference" if number == 1 else f"reference_{number}"] = name
    return {"test": "test", **names}


def gain_of_reference() -> float:
    """Realised, as the workshop's bench file states it: 2.1 dBi and 14.5 dB return loss."""
    return 2.1 - mismatch_loss_db(10.0 ** (-14.5 / 20.0))


def test_a_linear_drift_cancels_whatever_the_spacing(notebook: Notebook) -> None:
    """The reference drifts by 0.6 dB in an hour; the antenna stands a sixth of the way. A plain
    mean of the references would be 0.2 dB off."""
    captures = pair(notebook, -44.9, (0.0, -45.0), (3600.0, -44.4), at_s=600.0)
    result = one(notebook.reduce("gain", captures, **OPTIONS), "realised_gain")
    assert_allclose(result.value, gain_of_reference() + 0.0, atol=1e-9)
    plain = notebook.reduce("gain", captures, **{**OPTIONS, "follow_drift": False})
    assert_allclose(one(plain, "realised_gain").value, result.value - 0.2, atol=1e-9)


def test_what_a_straight_line_may_miss_is_the_drift_of_the_budget(notebook: Notebook) -> None:
    """Half the difference of the two references, rectangular: 0.3 dB/sqrt(3)."""
    captures = pair(notebook, -44.9, (0.0, -45.0), (3600.0, -44.4), at_s=600.0)
    result = one(notebook.reduce("gain", captures, **OPTIONS), "realised_gain")
    assert_allclose(contributions(result)["drift"], 0.3 / math.sqrt(3.0), rtol=1e-9)


def test_without_a_bracket_the_stated_drift_grows_with_the_root_of_time(notebook: Notebook) -> None:
    """0.02 and 0.04 dB within an hour are stated for source and analyzer: 15 min give half."""
    captures = pair(notebook, -44.9, (0.0, -45.0), at_s=900.0)
    result = one(notebook.reduce("gain", captures, **OPTIONS), "realised_gain")
    assert_allclose(terms_of(result)["drift"].size, 0.03, rtol=1e-9)


def test_the_workshop_states_enough_to_assume_nothing(notebook: Notebook) -> None:
    captures = pair(notebook, -44.9, (0.0, -45.0), at_s=60.0)
    for result in notebook.reduce("gain", captures, **OPTIONS):
        assert result.flags == ()
        assert result.budget is not None
        assert [line.name for line in result.budget.terms if line.assumed] == []


@pytest.mark.parametrize(
    ("part", "term"),
    [
        ("polarisation_tolerance_deg", "polarisation"),
        ("finite_range_db", "finite range"),
        ("range_tolerance_m", "range and phase centre"),
    ],
)
def test_what_the_bench_file_leaves_out_is_assumed(
    notebook: Notebook, part: str, term: str
) -> None:
    notebook.with_bench(box=changed(notebook.bench.box, **{part: None}))
    captures = pair(notebook, -44.9, (0.0, -45.0), at_s=60.0)
    result = one(notebook.reduce("gain", captures, **OPTIONS), "realised_gain")
    assert result.flags == ("assumed-term",)
    assert terms_of(result)[term].assumed


def test_a_phase_centre_ahead_of_its_mark_is_taken_off(notebook: Notebook) -> None:
    """A 5-element Yagi ranged from its driven element, phase centre 41 mm ahead, reads 0.93 dB
    high at 0.4 m in full (a moment-method computation, measurement notes of the project); taken as
    a point it is 20 lg(400/359)."""
    antennas = dict(notebook.bench.antennas)
    antennas["dipole r3"] = changed(antennas["dipole r3"], phase_centre_m=0.041)
    box = changed(notebook.bench.box, range_length_m=0.4)
    captures = pair(notebook, -44.9, (0.0, -45.0), at_s=60.0)
    plain = one(notebook.reduce("gain", captures, **OPTIONS), "realised_gain")
    notebook.with_bench(antennas=antennas, box=box)
    moved = one(notebook.reduce("gain", captures, **OPTIONS), "realised_gain")
    assert round(plain.value - moved.value, 2) == 0.94
    assert_allclose(moved.value - plain.value, 20 * math.log10(1 - 0.041 / 0.4), atol=1e-12)


@pytest.mark.parametrize(
    ("detector", "high_db"),
    # 10 lg(1 + 1/gamma) and 4.343 E1(gamma) at gamma = 10 (scipy: 0.41393, 1.8e-5), and for the
    # log-average at gamma = 2: 4.343 x 0.0489005 (Abramowitz and Stegun, table 5.1).
    [("rms", 0.41393), ("log-average", 0.21237)],
)
def test_the_noise_that_a_detector_adds_is_removed(
    notebook: Notebook, detector: str, high_db: float
) -> None:
    gamma_db = 10.0 if detector == "rms" else 10.0 * math.log10(2.0)
    noise_power = -100.0
    # A log-average reads noise alone 2.507 dB low.
    shown = noise_power - (2.50682 if detector == "log-average" else 0.0)
    read = noise_power + gamma_db + high_db
    notebook.capture("test", "test", read, at_s=1.0, position="mount_b", antenna="dipole r3",
                     noise_dbm=shown, detector=detector)  # fmt: skip
    notebook.capture("ref", "reference", -40.0, position="mount_a", antenna="reference dipole",
                     noise_dbm=shown, detector=detector)  # fmt: skip
    result = one(
        notebook.reduce("gain", {"test": "test", "reference": "ref"}, **OPTIONS), "realised_gain"
    )
    true = gain_of_reference() + (noise_power + gamma_db) + 40.0
    assert_allclose(result.value, true, atol=1e-3)
    # 10 dB is the border, and 10 lg of a ratio read back is not exact.
    assert ("near-noise" in result.flags) == (detector == "log-average")


def test_scatter_of_the_repeats_goes_before_theory(notebook: Notebook) -> None:
    """Nine repeats that scatter by 0.6 dB each: 0.2 dB, though the noise lies 60 dB below."""
    for name, role, position, antenna in (
        ("test", "test", "mount_b", "dipole r3"),
        ("ref", "reference", "mount_a", "reference dipole"),
    ):
        notebook.capture(name, role, -45.0, position=position, antenna=antenna,
                         scatter_db=0.6 if role == "test" else 0.0, average=9)  # fmt: skip
    result = one(
        notebook.reduce("gain", {"test": "test", "reference": "ref"}, **OPTIONS), "realised_gain"
    )
    assert_allclose(contributions(result)["noise, test"], 0.2, rtol=1e-9)
    assert contributions(result)["noise, reference"] < 0.01


def test_a_crackling_line_shows_in_the_roughness(notebook: Notebook) -> None:
    """0.3 dB of white error from point to point is found within a third."""
    rough = -45.0 + np.random.default_rng(5).normal(0.0, 0.3, GRID.size)
    notebook.capture("test", "test", rough, at_s=1.0, position="mount_b", antenna="dipole r3")
    notebook.capture("ref", "reference", -45.0, position="mount_a", antenna="reference dipole")
    result = one(
        notebook.reduce("gain", {"test": "test", "reference": "ref"}, **OPTIONS), "realised_gain"
    )
    assert 0.2 < contributions(result)["noise, test"] < 0.4


def places(notebook: Notebook, test_db: list[float], reference_db: list[float]) -> dict[str, str]:
    names: dict[str, str] = {}
    for role, antenna, levels in (
        ("reference", "reference dipole", reference_db),
        ("test", "dipole r3", test_db),
    ):
        for number, level in enumerate(levels, 1):
            notebook.capture(f"{role} {number}", role, level, antenna=antenna, position="mount_a")
            names[role if number == 1 else f"{role}_{number}"] = f"{role} {number}"
    return names


def test_over_places_the_spread_of_the_differences_is_the_box(notebook: Notebook) -> None:
    """What a place does to both cancels: differences 5.0, 5.4, 5.2, 5.6 dB have sd 0.2582 dB, and
    their mean half of that (JCGM 100, 4.2.3), with three degrees of freedom."""
    reference = [-45.0, -47.0, -44.0, -46.0]
    test = [r + d for r, d in zip(reference, (5.0, 5.4, 5.2, 5.6), strict=True)]
    captures = places(notebook, test, reference)
    result = one(notebook.reduce("gain", captures, **OPTIONS, travel_m=0.1), "realised_gain")
    assert_allclose(result.value, gain_of_reference() + 5.3, atol=1e-9)
    box = terms_of(result)["box"]
    assert (round(box.contribution, 4), box.degrees_of_freedom) == (0.1291, 3.0)


def test_the_spread_over_places_feeds_the_budget_of_a_later_gain_at_one_place(
    notebook: Notebook,
) -> None:
    """0.2582 dB with three degrees of freedom, where the bench file states 1.2 dB."""
    reference = [-45.0, -47.0, -44.0, -46.0]
    test = [r + d for r, d in zip(reference, (5.0, 5.4, 5.2, 5.6), strict=True)]
    captures = places(notebook, test, reference)
    found = notebook.reduce("gain", captures, **OPTIONS, keep_as="places", travel_m=0.1)
    spreads = [one for one in found if one.quantity == "box_gain_spread"]
    assert {round(one.value, 4) for one in spreads} == {0.2582}
    assert len(spreads) > 5
    single = pair(notebook, -44.9, (0.0, -45.0), at_s=600.0)
    box = terms_of(one(notebook.reduce("gain", single, **OPTIONS), "realised_gain"))["box"]
    assert (round(box.size, 4), box.degrees_of_freedom) == (0.2582, 3.0)


def test_over_places_noise_and_joints_are_not_counted_twice(notebook: Notebook) -> None:
    """Noise is in the spread over the places. Exchanged mounts leave the mean of two joints."""
    for number, (mount, other) in enumerate([("mount_a", "mount_b")] * 2
                                            + [("mount_b", "mount_a")] * 2, 1):  # fmt: skip
        shift = 1.0 if mount == "mount_a" else -1.0
        notebook.capture(f"r{number}", "reference", -45.0, antenna="reference dipole",
                         position=mount)  # fmt: skip
        notebook.capture(f"t{number}", "test", -40.0 + shift + 0.1 * (number % 2), position=other,
                         antenna="dipole r3")  # fmt: skip
    names = {f"{role}{'' if n == 1 else f'_{n}'}": f"{role[0]}{n}"
             for role in ("test", "reference") for n in range(1, 5)}  # fmt: skip
    found = one(notebook.reduce("gain", names, **OPTIONS, travel_m=0.1), "realised_gain")
    assert_allclose(found.value, gain_of_reference() + 5.05, atol=1e-9)
    terms = terms_of(found)
    # Within each arrangement 5.1 and 5.0 dB: pooled 0.0707 dB, two degrees of freedom, over 4.
    noise = np.hypot(terms["noise, test"].size, terms["noise, reference"].size)
    assert 0.0 < noise < 0.01
    assert_allclose(np.hypot(terms["box"].size, noise), 0.0707107 / 2.0, rtol=1e-6)
    assert terms["box"].degrees_of_freedom == 2.0
    single = pair(notebook, -44.9, (0.0, -45.0), at_s=60.0)
    alone = terms_of(one(notebook.reduce("gain", single, **OPTIONS), "realised_gain"))
    for name in ("cable and switch, test", "mismatch at test", "mismatch at reference"):
        assert_allclose(terms[name].size / alone[name].size, 1.0 / math.sqrt(2.0), rtol=1e-9)


def test_over_places_the_drift_is_that_within_a_pair(notebook: Notebook) -> None:
    """0.06 dB within an hour are stated: pairs 15 min apart drift by half of it (root of time),
    however long the whole series takes."""
    for number in range(1, 5):
        at_s = 7200.0 * number
        notebook.capture(f"r{number}", "reference", -45.0, antenna="reference dipole",
                         position="mount_a", at_s=at_s)  # fmt: skip
        notebook.capture(f"t{number}", "test", -40.0, position="mount_b", antenna="dipole r3",
                         at_s=at_s + 900.0)  # fmt: skip
    names = {f"{role}{'' if n == 1 else f'_{n}'}": f"{role[0]}{n}"
             for role in ("test", "reference") for n in range(1, 5)}  # fmt: skip
    found = one(notebook.reduce("gain", names, **OPTIONS, travel_m=0.1), "realised_gain")
    assert_allclose(terms_of(found)["drift"].size, 0.03, rtol=1e-9)


def test_places_too_near_to_each_other_divide_nothing(notebook: Notebook) -> None:
    """Half a wavelength at 1.7 GHz is 88 mm."""
    captures = places(notebook, [-40.0, -39.6], [-45.0, -45.0])
    found = notebook.reduce("gain", captures, **OPTIONS, travel_m=0.05)
    assert not [one for one in found if one.quantity == "box_gain_spread"]
    result = one(found, "realised_gain")
    assert result.flags == ("short-travel",)
    parts = contributions(result)
    spread = np.hypot.reduce([parts["box"], parts["noise, test"], parts["noise, reference"]])
    assert_allclose(spread, 0.4 / math.sqrt(2.0), rtol=1e-9)


def test_places_of_one_antenna_alone_are_refused(notebook: Notebook) -> None:
    captures = places(notebook, [-40.0, -39.6], [-45.0])
    with pytest.raises(ReductionRefused, match=r"2 places of the antenna against 1 of the ref"):
        notebook.reduce("gain", captures, **OPTIONS, travel_m=0.1)


RANGE: dict[str, Any] = {"match": "none", "at_hz": [AT], "band_hz": [1.695e9, 1.705e9]}


def over_range(notebook: Notebook, name: str, gains_dbi: float, antenna: str) -> None:
    """A capture over the workshop's range with this sum of realised gains."""
    box = notebook.bench.box
    assert box is not None
    assert box.range_length_m is not None
    loss = np.array([free_space_path_loss_db(f, box.range_length_m) for f in GRID])
    notebook.capture(name, "test", -12.0 + gains_dbi - loss, position="mount_a", antenna=antenna)


def test_two_identical_antennas_give_half_of_their_sum(notebook: Notebook) -> None:
    notebook.capture("thru", "thru", -12.0, position="mount_a")
    over_range(notebook, "pair", 2 * 1.87, "dipole r3")
    results = notebook.reduce("gain-two-identical", {"test": "pair", "thru": "thru"},
                              antenna="dipole r3", **RANGE)  # fmt: skip
    result = one(results, "realised_gain")
    assert_allclose(result.value, 1.87, atol=1e-9)
    # The match of source and antenna is stated; so is the spread of one path between dipoles.
    assert (result.antenna, result.flags) == ("dipole r3", ())
    assert result.note.endswith("Taken as identical: half of the sum of both.")
    assert {r.quantity for r in results} == {
        "realised_gain", "realised_gain_mean", "realised_gain_min", "realised_gain_max",
    }  # fmt: skip


def test_three_antennas_are_told_apart_and_each_has_its_name(notebook: Notebook) -> None:
    """2.0, 1.5 and 9.0 dBi; the Yagi's phase centre lies 6 mm ahead of its mark."""
    names = ("range dipole", "reference dipole", "yagi r2")
    gains = dict(zip(names, (2.0, 1.5, 9.0), strict=True))
    nearer = 20 * math.log10(1 - 0.006 / 0.408)
    notebook.capture("thru", "thru", -12.0, position="mount_a")
    over_range(notebook, "ab", gains[names[0]] + gains[names[1]], names[1])
    over_range(notebook, "ac", gains[names[0]] + gains[names[2]] - nearer, names[2])
    over_range(notebook, "bc", gains[names[1]] + gains[names[2]] - nearer, names[2])
    results = notebook.reduce(
        "gain-three-antennas", {"ab": "ab", "ac": "ac", "bc": "bc", "thru": "thru"},
        antenna=names[1], antennas=list(names), **RANGE,
    )  # fmt: skip
    for name in names:
        assert_allclose(one(results, "realised_gain", name).value, gains[name], atol=1e-9)
        assert one(results, "realised_gain_mean", name).band_hz == (1.695e9, 1.705e9)


def test_captures_taken_otherwise_are_refused(notebook: Notebook) -> None:
    notebook.capture("test", "test", -45.0, position="mount_b", antenna="dipole r3")
    notebook.capture("ref", "reference", -45.0, position="mount_a", antenna="reference dipole",
                     resolution_bandwidth_hz=3e4)  # fmt: skip
    with pytest.raises(NormalisationRefused, match="resolution bandwidth"):
        notebook.reduce("gain", {"test": "test", "reference": "ref"}, **OPTIONS)


def qualified_range(notebook: Notebook, antenna: str = "dipole r3") -> Any:
    """A capture of yesterday on the range, for qualification results to come from."""
    return notebook.capture("probe", "test", -45.0, at_s=-7200.0, position="mount_a",
                            antenna=antenna)  # fmt: skip


def qualified_reference(notebook: Notebook) -> Any:
    """The reference antenna of the same qualification."""
    return notebook.capture("probe of reference", "reference", -45.0, at_s=-7200.0,
                            position="mount_b", antenna="reference dipole")  # fmt: skip


def test_the_qualified_box_and_connections_go_before_what_was_stated(notebook: Notebook) -> None:
    """0.4 dB at 1.6 and 0.3 dB at 1.8 GHz: 0.35 dB at 1.7 GHz, with seven degrees of freedom;
    stated are 1.2 dB without any."""
    probe = qualified_range(notebook)
    notebook.qualified("box_gain_spread", {1.6e9: 0.4, 1.8e9: 0.3}, probe, at_s=-3600.0,
                       freedom=7.0, step="box",
                       others=(qualified_reference(notebook),))  # fmt: skip
    notebook.qualified("repeatability_spread", {1.6e9: 0.05, 1.8e9: 0.05}, probe, at_s=-3600.0,
                       step="joints")  # fmt: skip
    captures = pair(notebook, -44.9, (0.0, -45.0), at_s=60.0)
    terms = terms_of(one(notebook.reduce("gain", captures, **OPTIONS), "realised_gain"))
    assert_allclose(terms["box"].size, 0.35, rtol=1e-9)
    assert terms["box"].degrees_of_freedom == 7.0
    for end in ("test", "reference"):
        line = terms[f"cable and switch, {end}"]
        assert (line.size, line.degrees_of_freedom) == (0.05, 9.0)


def test_a_stated_spread_is_as_sure_as_the_places_it_comes_from(notebook: Notebook) -> None:
    """n places leave n - 1 degrees of freedom (JCGM 100, 4.2.6 and G.3); none stated: for sure."""
    captures = pair(notebook, -44.9, (0.0, -45.0), at_s=60.0)
    sure = one(notebook.reduce("gain", captures, **OPTIONS), "realised_gain")
    assert terms_of(sure)["box"].degrees_of_freedom == math.inf
    notebook.with_bench(box=changed(notebook.bench.box, gain_spread_positions=8))
    found = one(notebook.reduce("gain", captures, **OPTIONS), "realised_gain")
    assert terms_of(found)["box"].degrees_of_freedom == 7.0
    assert found.budget.standard == sure.budget.standard
    assert found.expanded_uncertainty > 1.1 * sure.expanded_uncertainty


def test_a_box_lined_anew_is_another_box(notebook: Notebook) -> None:
    """Its description in the bench file is then newer than the qualification."""
    probe = qualified_range(notebook)
    notebook.qualified("box_gain_spread", {1.6e9: 0.4, 1.8e9: 0.3}, probe, at_s=-3600.0,
                       others=(qualified_reference(notebook),))  # fmt: skip
    notebook.with_bench(box=changed(notebook.bench.box, inside_m=[0.9, 0.6, 0.6]))
    captures = pair(notebook, -44.9, (0.0, -45.0), at_s=60.0)
    terms = terms_of(one(notebook.reduce("gain", captures, **OPTIONS), "realised_gain"))
    assert_allclose(terms["box"].size, 1.2, rtol=1e-9)


def test_measured_reflections_bring_their_own_uncertainty(notebook: Notebook) -> None:
    """`match: newest`: u(gamma) is that of the return loss, gamma u(RL)/8.686, not a default."""
    grid = {"grid_hz": GRID, "route": "middle"}
    for role in ("open", "short"):
        notebook.capture(role, role, -20.0, position=role, at_s=-900.0, **grid)
    for antenna in ("dipole r3", "reference dipole"):
        notebook.capture(f"of {antenna}", "test", -34.0, position="antenna", antenna=antenna,
                         at_s=-600.0, **grid)  # fmt: skip
    captures = pair(notebook, -44.9, (0.0, -45.0), at_s=60.0)
    results = notebook.reduce("gain", captures, **{**OPTIONS, "match": "newest"})
    gain, realised = one(results, "gain"), one(results, "realised_gain")
    gamma = 10 ** (-14 / 20)
    assert_allclose(realised.value, 2.1 + 0.1 + 10 * math.log10(1 - gamma**2), atol=1e-6)
    assert_allclose(gain.value, 2.1 + 0.1, atol=1e-6)
    # Directivity 33 dB leads: 0.0224/sqrt(2) = 0.0158; the rest adds in quadrature.
    spread = terms_of(gain)["reflection of test"].size
    assert 0.0158 < spread < 0.02
    assert gain.flags == ()
    assert len(gain.captures) == 6


def test_a_return_loss_that_is_sure_to_be_reached_bounds_the_mismatch(notebook: Notebook) -> None:
    """9 dB at 1.7 GHz are stated for dipole r3; ports behind it have their match stated too."""
    captures = pair(notebook, -44.9, (0.0, -45.0), at_s=60.0)
    results = notebook.reduce("gain", captures, **OPTIONS)
    assert {r.quantity for r in results} == {
        "realised_gain", "realised_gain_mean", "realised_gain_min", "realised_gain_max",
    }  # fmt: skip
    line = terms_of(one(results, "realised_gain"))["mismatch at test"]
    # Far cable 26 dB, switch 24 dB, analyzer 20 dB, voltages added in power.
    port = math.sqrt(10**-2.6 + 10**-2.4 + 10**-2.0)
    assert_allclose(line.size, port * 10 ** (-9 / 20), rtol=1e-9)
    assert not line.assumed
