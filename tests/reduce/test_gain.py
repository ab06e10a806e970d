"""Gain by substitution, two and three antennas, over a band, averaged over positions."""

import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from benchd.errors import ReductionRefused
from benchd.reduce.absolute_gain import (
    Transmission,
    identical_antennas_result,
    range_antenna_result,
    three_antennas_results,
)
from benchd.reduce.budget_inputs import GainKnowledge, Known
from benchd.reduce.compare import compare_results
from benchd.reduce.gain_by_substitution import Substitution, gain_transfer_dbi, substitution_results
from benchd.reduce.gain_over_places import place_mean

GRID = np.linspace(1.6e9, 1.8e9, 41)


def known(**changes: object) -> GainKnowledge:
    """A bench of which everything is known, with changes."""
    plain: dict[str, object] = {
        "reference_gain_expanded_db": Known(0.25, source="reference dipole"),
        "port_match_db": Known(20.0),
        "near_match_db": Known(20.0),
        "path_sd_db": Known(0.3, degrees_of_freedom=7),
        "box_sd_db": Known(0.3, degrees_of_freedom=7),
        "range_m": 1.0,
        "range_offset_m": Known(0.01),
        "linearity_db": Known(0.1),
        "cable_sd_db": Known(0.05, degrees_of_freedom=9),
        "noise_sd_db": Known(0.05),
        "finite_range_db": Known(0.05),
        "reflection_sd": Known(0.01),
        "drift_db": Known(0.02),
        "polarisation_deg": Known(5.0),
    }
    return GainKnowledge(**(plain | changes))  # type: ignore[arg-type]


def pair(**changes: object) -> Substitution:
    """A test antenna 6 dB above the reference, rising by 1 dB over the band."""
    plain: dict[str, object] = {
        "frequency_hz": GRID,
        "test_dbm": np.linspace(-39.0, -38.0, 41),
        "reference_dbm": np.full(41, -45.0),
        "reference_gain_dbi": np.full(41, 2.15),
        "test_gamma": np.full(41, 0.3),
        "reference_gamma": np.full(41, 0.2),
    }
    return Substitution(**(plain | changes))  # type: ignore[arg-type]


def test_gain_and_realised_gain_differ_by_the_mismatch_of_the_test_antenna() -> None:
    realised, gain = substitution_results(pair(), [1.7e9], known())
    expected = 2.15 + 6.5 + 10 * math.log10(1 - 0.04)
    assert (realised.quantity, gain.quantity) == ("realised_gain", "gain")
    assert realised.value == pytest.approx(expected, abs=1e-9)
    assert gain.value - realised.value == pytest.approx(-10 * math.log10(1 - 0.09), abs=1e-9)
    assert realised.note == "Realised gain: the antenna's own mismatch included."
    assert realised.unit == "dBi"
    assert realised.flags == ()
    assert realised.low < realised.value < realised.high


def test_without_a_measured_match_only_the_realised_gain_is_given_and_flagged() -> None:
    (realised,) = substitution_results(pair(test_gamma=None), [1.7e9], known())
    assert realised.quantity == "realised_gain"
    assert realised.flags == ("assumed-term",)


def test_a_reference_stated_as_realised_needs_no_mismatch_correction() -> None:
    realised, _ = substitution_results(pair(reference_is_realised=True), [1.7e9], known())
    assert realised.value == pytest.approx(2.15 + 6.5, abs=1e-9)
    assert "reflection of reference" not in {t.name for t in realised.budget.terms}


@given(st.floats(-20, 20), st.floats(-90, -20), st.floats(0, 0.8), st.floats(0, 2 * math.pi))
def test_an_antenna_substituted_by_itself_has_its_own_gain(
    gain_dbi: float, level_dbm: float, size: float, angle: float
) -> None:
    gamma = size * complex(math.cos(angle), math.sin(angle))
    gain, realised = gain_transfer_dbi(gain_dbi, level_dbm - level_dbm, gamma, gamma, 0.2j)
    assert gain == pytest.approx(gain_dbi, abs=1e-9)
    assert realised <= gain + 1e-12


@given(st.floats(0, 0.6), st.floats(0, 0.6), st.floats(0, 0.3), st.floats(0, 6.28))
def test_the_formula_undoes_power_transfer_between_mismatched_ports(
    a: float, r: float, p: float, angle: float
) -> None:
    """What a port of reflection p takes from an antenna: G (1-|g|^2)/|1 - p g|^2, by definition.

    Mismatch factor M = (1-|g|^2)(1-|p|^2)/|1 - g p|^2 (common textbook form, from memory).
    """
    test, reference = a * np.exp(1j * angle), r * np.exp(-2j * angle)

    def received_db(gain_dbi: float, gamma: complex) -> float:
        share = (1 - abs(gamma) ** 2) * (1 - p**2) / abs(1 - gamma * p) ** 2
        return gain_dbi + 10 * math.log10(share)

    shown = received_db(7.0, test) - received_db(2.15, reference)
    gain, realised = gain_transfer_dbi(2.15, shown, test, reference, p)
    assert gain == pytest.approx(7.0, abs=1e-9)
    assert realised == pytest.approx(7.0 + 10 * math.log10(1 - a**2), abs=1e-9)


def test_over_a_band_mean_least_and_largest_are_given() -> None:
    results = substitution_results(
        pair(test_gamma=None, reference_gamma=np.zeros(41)), [], known(), band_hz=(1.65e9, 1.75e9)
    )
    found = {r.quantity: r.value for r in results}
    # Ends are estimated from the whole curve, whose errors are a few hundredths of a decibel.
    assert found == {
        "realised_gain_mean": pytest.approx(8.65),
        "realised_gain_min": pytest.approx(8.40, abs=0.06),
        "realised_gain_max": pytest.approx(8.90, abs=0.06),
    }
    mean = results[0]
    assert mean.band_hz == (1.65e9, 1.75e9)
    assert mean.frequency_hz is None
    sizes = {t.name: t.contribution for t in mean.budget.terms}
    assert sizes["box"] == pytest.approx(0.3, rel=0.06), (
        "ripple wider than the band averages little"
    )
    assert sizes["noise, test"] == pytest.approx(0.05 / math.sqrt(21))
    # The box strays by 0.3 dB, the curve rises by 0.5 dB: where its ends lie is left open.
    assert (results[1].frequency_hz, results[2].frequency_hz) == (None, None)


def test_a_range_too_short_is_flagged() -> None:
    realised, _ = substitution_results(pair(largest_dimensions_m=(0.4,)), [1.7e9], known())
    assert realised.flags == ("near-field",)  # 2 D^2/lambda = 1.81 m


@pytest.mark.parametrize("at_hz", [1.59e9, 1.81e9])
def test_frequencies_outside_the_captures_are_refused(at_hz: float) -> None:
    with pytest.raises(ReductionRefused, match="run from 1600 to 1800 MHz"):
        substitution_results(pair(), [at_hz], known())


def test_arrays_of_different_length_are_refused_by_name() -> None:
    with pytest.raises(ReductionRefused, match="test_gamma has 3 values for 41 frequencies"):
        pair(test_gamma=np.zeros(3))
    with pytest.raises(ReductionRefused, match="outside the captures"):
        substitution_results(pair(), [], known(), band_hz=(2e9, 3e9))


def test_defaults_flag_a_gain() -> None:
    realised, _ = substitution_results(pair(), [1.7e9], GainKnowledge())
    assert realised.flags == ("assumed-term",)


def test_two_revisions_on_one_reference_are_compared_without_its_error() -> None:
    first, _ = substitution_results(pair(), [1.7e9], known())
    second, _ = substitution_results(pair(test_dbm=np.full(41, -38.2)), [1.7e9], known())
    apart = compare_results(first, second)
    assert apart.quantity == "realised_gain_difference"
    assert apart.value == pytest.approx(0.3)
    assert apart.unit == "dB"
    alone = math.sqrt(2 * (first.budget.standard**2 - 0.125**2))
    assert apart.budget.standard == pytest.approx(alone)
    assert apart.note.startswith("No difference seen; a difference above ")
    far, _ = substitution_results(pair(test_dbm=np.full(41, -33.0)), [1.7e9], known())
    assert compare_results(first, far).note == "The two differ."
    with pytest.raises(ReductionRefused, match="cannot compare realised_gain with gain"):
        compare_results(first, substitution_results(pair(), [1.7e9], known())[1])


def link(gain_1: float, gain_2: float, range_m: float = 1.0, **more: float) -> Transmission:
    """What Friis gives between two antennas at 1.7 GHz, thru at -20 dBm."""
    loss = 20 * math.log10(4 * math.pi * range_m * 1.7e9 / 299792458.0)
    return Transmission(
        1.7e9, -20.0 + gain_1 + gain_2 - loss, -20.0, (Known(0.1), Known(0.1)), **more
    )


def test_two_identical_antennas_share_the_sum() -> None:
    result = identical_antennas_result(link(6.0, 6.0), known())
    assert result.value == pytest.approx(6.0, abs=1e-9)
    whole = range_antenna_result(link(6.0, 6.0), 6.0, known(reference_gain_expanded_db=Known(0.0)))
    assert result.budget.standard == pytest.approx(whole.budget.standard / 2)


def test_a_known_range_antenna_gives_the_other_and_its_error() -> None:
    result = range_antenna_result(link(5.0, 8.0), 5.0, known())
    assert result.value == pytest.approx(8.0, abs=1e-9)
    terms = {t.name: t.contribution for t in result.budget.terms}
    assert terms["gain of the range antenna"] == pytest.approx(0.125)
    assert terms["mismatch of the thru"] == pytest.approx(8.686 * 0.01 / math.sqrt(2), rel=1e-3)


def test_a_pad_in_the_thru_is_taken_off() -> None:
    padded = Transmission(
        1.7e9, link(5.0, 8.0).received_dbm, -30.0, (Known(0.1), Known(0.1)),
        pad_db=10.0, pad_sd_db=Known(0.03),
    )  # fmt: skip
    # The thru read -30 dBm through 10 dB: -20 dBm without.
    assert padded.ratio_db == pytest.approx(link(5.0, 8.0).ratio_db)
    terms = {
        t.name: t.contribution for t in range_antenna_result(padded, 5.0, known()).budget.terms
    }
    assert terms["pad"] == pytest.approx(0.03)


def test_three_unknown_antennas_are_told_apart() -> None:
    a, b, c = 2.15, 5.0, 8.3
    results = three_antennas_results(
        link(a, b), link(a, c), link(b, c), known(), ("dipole", "patch", "yagi")
    )
    assert [(r.antenna, round(r.value, 9)) for r in results] == [
        ("dipole", 2.15), ("patch", 5.0), ("yagi", 8.3),
    ]  # fmt: skip
    # Thru and scale are one error in all three: (1 + 1 - 1)/2 of it, not sqrt(3)/2.
    shared = [t for t in results[0].budget.terms if t.source == "linearity"]
    assert sum(t.sensitivity for t in shared) == pytest.approx(0.5)


def test_positions_over_half_a_wavelength_divide_the_spread() -> None:
    """A wall 12 dB down, 8 positions over a whole beat: the mean is the direct ray's own level."""
    beat = 2 * np.pi * np.arange(8) / 8
    levels = 20 * np.log10(np.abs(1 + 10 ** (-12 / 20) * np.exp(1j * beat)))
    found = place_mean(levels, travel_m=0.1, frequency_hz=1.7e9)
    assert found.mean_db == pytest.approx(0.0, abs=0.01)
    assert found.box.value == pytest.approx(levels.std(ddof=1) / math.sqrt(8))
    assert found.box.degrees_of_freedom == 7
    short = place_mean(levels, travel_m=0.05, frequency_hz=1.7e9)
    assert short.flags == ("short-travel",)
    assert short.box.value == pytest.approx(levels.std(ddof=1))
    with pytest.raises(ReductionRefused, match="1 place gives no spread"):
        place_mean(levels[:1], 0.1, 1.7e9)


def test_what_two_mounts_differ_by_cancels_when_they_are_exchanged() -> None:
    """Mounts 2 dB apart, four places in each arrangement: the mean keeps what the places spread by,
    with six degrees of freedom; one place alone keeps the mounts, too."""
    within = np.array([0.1, -0.1, 0.2, -0.2])
    levels = np.concatenate([7.0 + within + 1.0, 7.0 + within - 1.0])
    mounts = ["a against b"] * 4 + ["b against a"] * 4
    found = place_mean(levels, 0.1, 1.7e9, mounts)
    assert found.mean_db == pytest.approx(7.0, abs=1e-12)
    pooled = math.sqrt(2.0 * (within**2).sum() / 6.0)
    assert found.box.value == pytest.approx(pooled / math.sqrt(8.0), rel=1e-12)
    assert (found.box.degrees_of_freedom, found.groups) == (6.0, 2)
    assert found.sd_db == pytest.approx(levels.std(ddof=1), rel=1e-12)
    plain = place_mean(levels, 0.1, 1.7e9)
    assert plain.box.value == pytest.approx(levels.std(ddof=1) / math.sqrt(8.0), rel=1e-12)


def test_arrangements_of_unequal_size_weigh_alike() -> None:
    levels = np.array([8.0, 8.2, 8.1, 8.1, 6.0, 6.2])
    found = place_mean(levels, 0.1, 1.7e9, ["x"] * 4 + ["y"] * 2)
    assert found.mean_db == pytest.approx((8.1 + 6.1) / 2.0, abs=1e-12)
    single = place_mean(levels[:5], 0.1, 1.7e9, ["x"] * 4 + ["y"])
    assert single.groups == 1
