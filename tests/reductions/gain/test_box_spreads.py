"""Two spreads of a box: of one path, and of the difference of two antennas; for which antennas."""

from __future__ import annotations

import math
from typing import Any

import pytest
from numpy.testing import assert_allclose

from tests.reductions.captures import Notebook, changed, one, terms_of

AT = 1.7e9
DIFFERENCE: dict[str, Any] = {
    "method": "substitution", "antenna": "dipole r3", "reference_antenna": "reference dipole",
    "match": "none", "at_hz": [AT], "band_hz": [1.695e9, 1.705e9], "follow_drift": True,
    "travel_m": None,
}  # fmt: skip
PATH: dict[str, Any] = {"match": "none", "at_hz": [AT], "band_hz": [1.695e9, 1.705e9]}
NAMES = ("range dipole", "reference dipole", "yagi r2")


@pytest.fixture(autouse=True)
def without_path(notebook: Notebook) -> None:
    """The workshop states the spread of a path; most of these tests want it unstated."""
    stated(notebook, path_spread_db=None, path_spread_of=None, path_spread_positions=None)


def stated(notebook: Notebook, **box: Any) -> None:
    """The workshop's box with other statements; a number stands for one value at any frequency."""
    table = type(notebook.bench.box.gain_spread_db)  # type: ignore[union-attr]
    found = {
        key: table(frequency_hz=(AT,), values=(value,))
        if key.endswith("_db") and value is not None
        else value
        for key, value in box.items()
    }
    notebook.with_bench(box=changed(notebook.bench.box, **found))


def difference(notebook: Notebook, antenna: str = "dipole r3") -> Any:
    """The box term of a gain of one antenna against the reference."""
    notebook.capture("test", "test", -44.0, at_s=60.0, position="mount_b", antenna=antenna)
    notebook.capture("ref", "reference", -45.0, position="mount_a", antenna="reference dipole")
    found = notebook.reduce(
        "gain", {"test": "test", "reference": "ref"}, **{**DIFFERENCE, "antenna": antenna}
    )
    return one(found, "realised_gain")


def path(notebook: Notebook, antenna: str = "dipole r3") -> Any:
    """The same of a gain over the range whose near antenna is known."""
    notebook.capture("thru", "thru", -12.0, position="mount_a")
    notebook.capture("far", "test", -38.0, at_s=60.0, position="mount_a", antenna=antenna)
    options = PATH | {"method": "known-range-antenna", "antenna": antenna,
                      "range_antenna": "range dipole"}  # fmt: skip
    return one(notebook.reduce("gain", {"test": "far", "thru": "thru"}, **options), "realised_gain")


def box_term(result: Any) -> Any:
    """The one line of the budget that speaks of the walls."""
    (found,) = [line for name, line in terms_of(result).items() if name.startswith("box")]
    return found


def test_a_difference_and_a_path_have_sizes_of_their_own(notebook: Notebook) -> None:
    stated(notebook, gain_spread_db=0.1, path_spread_db=0.8, path_spread_positions=8)
    assert (box_term(difference(notebook)).name, box_term(difference(notebook)).size) == (
        "box",
        0.1,
    )
    line = box_term(path(notebook))
    assert (line.name, line.size, line.degrees_of_freedom, line.assumed) == ("box", 0.8, 7.0, False)


def test_an_unknown_path_is_assumed_from_the_reflectivity_and_says_so(notebook: Notebook) -> None:
    """-12 dB: one ray of 0.2512, 8.686 x 0.2512/sqrt(2) = 1.543 dB."""
    found = path(notebook)
    line = box_term(found)
    assert line.name == "box (from the reflectivity)"
    assert_allclose(line.size, 1.543, atol=5e-4)
    assert "assumed-term" in found.flags


@pytest.mark.parametrize(
    ("gain_spread_db", "size", "name"),
    [
        (None, 1.2, "box"),
        (0.5, 1.2, "box"),
        (2.4, 2.4 / math.sqrt(2.0), "box (from a difference of two paths)"),
    ],
)
def test_without_any_word_of_the_walls_a_default_stands_for_the_path(
    notebook: Notebook, gain_spread_db: float | None, size: float, name: str
) -> None:
    """A difference says only what one path spreads by at least."""
    stated(notebook, gain_spread_db=gain_spread_db, reflectivity_db=None)
    found = path(notebook)
    line = box_term(found)
    assert (line.name, line.assumed) == (name, True)
    assert_allclose(line.size, size, rtol=1e-12)
    assert "assumed-term" in found.flags


def test_a_spread_found_with_two_dipoles_is_not_a_yagis(notebook: Notebook) -> None:
    """The stated one holds for dipoles of any revision; a Yagi takes the path's, and says so."""
    stated(notebook, gain_spread_db=0.05, path_spread_db=0.8,
           gain_spread_of=["range dipole", "reference dipole"])  # fmt: skip
    assert box_term(difference(notebook)).size == 0.05
    found = difference(notebook, "yagi r2")
    line = box_term(found)
    assert (line.name, line.size) == ("box (from the spread of one path)", 0.8)
    assert "assumed-term" in found.flags


def test_a_path_found_with_dipoles_bounds_a_yagis_but_not_the_other_way(notebook: Notebook) -> None:
    stated(notebook, path_spread_db=0.8, path_spread_of=["range dipole", "reference dipole"])
    line = box_term(path(notebook, "yagi r2"))
    assert (line.name, line.size) == ("box (found with other antennas)", 0.8)
    stated(notebook, path_spread_db=0.4, path_spread_of=["range dipole", "yagi r2"])
    assert box_term(path(notebook, "yagi r2")).name == "box"
    assert box_term(path(notebook)).name == "box (from the reflectivity)"


def test_what_a_qualification_measured_belongs_to_its_antennas_too(notebook: Notebook) -> None:
    """Measured with the Yagi against the reference: not for a dipole, which has it stated."""
    test = notebook.capture("p", "test", -40.0, at_s=-7200.0, position="mount_a", antenna="yagi r2")
    ref = notebook.capture("q", "reference", -45.0, at_s=-7200.0, position="mount_b",
                           antenna="reference dipole")  # fmt: skip
    notebook.qualified("box_gain_spread", {AT: 0.33}, test, at_s=-3600.0, others=(ref,))
    assert box_term(difference(notebook, "yagi r2")).size == 0.33
    assert box_term(difference(notebook)).size == 1.2


def test_a_measured_path_serves_gains_by_one_path_alone(notebook: Notebook) -> None:
    test = notebook.capture("p", "test", -40.0, at_s=-7200.0, position="mount_a",
                            antenna="reference dipole")  # fmt: skip
    notebook.qualified("box_path_spread", {AT: 0.7}, test, at_s=-3600.0, freedom=7.0)
    line = box_term(path(notebook))
    assert (line.name, line.size, line.degrees_of_freedom) == ("box", 0.7, 7.0)
    assert box_term(path(notebook, "yagi r2")).name == "box (found with other antennas)"
    assert box_term(difference(notebook)).size == 1.2


def test_of_three_antennas_paths_between_like_ones_share_their_walls(notebook: Notebook) -> None:
    """Two dipoles and a Yagi: both of the Yagi's paths meet the same walls. Its own gain then has
    (e + e - d)/2, each dipole's d/2: 1.118 and 0.5 of one path's spread."""
    stated(notebook, path_spread_db=1.0)
    notebook.capture("thru", "thru", -12.0, position="mount_a")
    for name, antenna in (("ab", NAMES[1]), ("ac", NAMES[2]), ("bc", NAMES[2])):
        notebook.capture(name, "test", -38.0, position="mount_a", antenna=antenna)
    results = notebook.reduce(
        "gain-three-antennas", {"ab": "ab", "ac": "ac", "bc": "bc", "thru": "thru"},
        antenna=NAMES[1], antennas=list(NAMES), **PATH,
    )  # fmt: skip
    for name, size in ((NAMES[0], 0.5), (NAMES[1], 0.5), (NAMES[2], math.sqrt(1.25))):
        budget = one(results, "realised_gain", name).budget
        assert budget is not None
        by_source: dict[str, float] = {}
        for line in budget.terms:
            if line.name.startswith("box"):
                signed = math.copysign(line.contribution, line.sensitivity)
                by_source[line.source] = by_source.get(line.source, 0.0) + signed
        assert_allclose(math.hypot(*by_source.values()), size, rtol=1e-12)


def test_a_path_found_with_dipoles_counts_less_as_antennas_have_more_gain(
    notebook: Notebook,
) -> None:
    """Of three antennas the levels show how much more: 8 dB leave sqrt(1/6 + 5/6 10^-0.8) = 0.546
    of the spread. A Yagi that is read 6 dB weaker than the dipole has 1.87 times the spread."""
    stated(notebook, path_spread_db=1.0, path_spread_of=["range dipole", "reference dipole"])
    notebook.capture("thru", "thru", -12.0, position="mount_a")
    for name, level, antenna in (("ab", -46.0, 1), ("ac", -38.0, 2), ("bc", -52.0, 2)):
        notebook.capture(name, "test", level, position="mount_a", antenna=NAMES[antenna])
    results = notebook.reduce(
        "gain-three-antennas", {"ab": "ab", "ac": "ac", "bc": "bc", "thru": "thru"},
        antenna=NAMES[1], antennas=list(NAMES), **PATH,
    )  # fmt: skip
    found = one(results, "realised_gain", NAMES[2])
    lines = terms_of(found)
    assert lines["box, A to B"].size == 1.0
    found_with = "box (found with other antennas, scaled by their gain)"
    less, more = lines[f"{found_with}, A to C"], lines[f"{found_with}, B to C"]
    # The Yagi radiates ahead of its mark: some tenths of a decibel of its level are taken off.
    assert_allclose(less.size, math.sqrt(1 / 6 + 5 / 6 * 10**-0.8), rtol=0.04)
    assert_allclose(more.size, math.sqrt(1 / 6 + 5 / 6 * 10**0.6), rtol=0.04)
    assert less.source == more.source
    assert "assumed-term" in found.flags


def test_of_three_pairs_each_has_the_noise_of_its_own_level(notebook: Notebook) -> None:
    """The third pair lies 3 dB above the noise, the first two 30 dB: its noise is not theirs."""
    notebook.capture("thru", "thru", -12.0, position="mount_a")
    for name, level, antenna in (("ab", -78.0, 1), ("ac", -78.0, 2), ("bc", -105.0, 2)):
        notebook.capture(name, "test", level, position="mount_a", antenna=NAMES[antenna])
    results = notebook.reduce(
        "gain-three-antennas", {"ab": "ab", "ac": "ac", "bc": "bc", "thru": "thru"},
        antenna=NAMES[1], antennas=list(NAMES), **PATH,
    )  # fmt: skip
    found = terms_of(one(results, "realised_gain", NAMES[0]))
    assert found["noise, B to C"].size > 10.0 * found["noise, A to B"].size


def test_each_end_has_the_match_of_its_own_port(notebook: Notebook) -> None:
    """The near antenna looks at the source, the far one at the analyzer."""
    instruments = dict(notebook.bench.instruments)
    instruments["generator"] = changed(instruments["generator"], match_db=12.0)
    notebook.with_bench(instruments=instruments)
    found = terms_of(path(notebook))
    ratio = found["mismatch at the near antenna"].size / found["mismatch of the thru"].size
    gamma = 10 ** (-14.0 / 20.0)
    far = found["mismatch of the thru"].size / (found["mismatch at the near antenna"].size / gamma)
    assert_allclose(far, found["mismatch at the far antenna"].size / 10 ** (-9.0 / 20.0), rtol=1e-9)
    assert ratio > 1.0
