"""Reduction against printed values: handbooks, standards and worked examples, named beside each."""

import math

import numpy as np
import pytest
import skrf

from benchd.reduce.absolute_gain import three_antenna_gains_dbi
from benchd.reduce.decibels import (
    free_space_path_loss_db,
    gamma_from_return_loss,
    gamma_from_vswr,
    mismatch_loss_db,
    return_loss_from_gamma,
    vswr_from_gamma,
)
from benchd.reduce.farfield import (
    far_field_distance_m,
    phase_centre_correction_db,
    range_flags,
    reactive_distance_m,
)
from benchd.reduce.gain_by_substitution import gain_transfer_dbi
from benchd.reduce.reflectometer import full_reflection
from benchd.reduce.ripple import gain_sd_db, peak_to_peak_db, reflected_level_db


@pytest.mark.parametrize(
    ("return_loss_db", "vswr", "loss_db"),
    [(10.0, 1.925, 0.458), (20.0, 1.222, 0.0436), (30.0, 1.065, 0.0043)],
)
def test_return_loss_to_vswr_and_mismatch_loss_as_in_handbook_tables(
    return_loss_db: float, vswr: float, loss_db: float
) -> None:
    """Source: return loss / VSWR tables printed in RF handbooks (rounded to the digits shown)."""
    gamma = gamma_from_return_loss(return_loss_db)
    assert round(vswr_from_gamma(gamma), 3) == vswr
    assert mismatch_loss_db(gamma) == pytest.approx(loss_db, abs=0.5 * 10 ** -_digits(loss_db))


def _digits(value: float) -> int:
    return len(str(value).split(".")[1])


@pytest.mark.parametrize(
    ("vswr", "return_loss_db", "loss_db"), [(1.5, 13.98, 0.177), (2.0, 9.542, 0.5115)]
)
def test_vswr_to_return_loss_as_in_handbook_tables(
    vswr: float, return_loss_db: float, loss_db: float
) -> None:
    """Source: the same tables."""
    gamma = gamma_from_vswr(vswr)
    assert round(return_loss_from_gamma(gamma), _digits(return_loss_db)) == return_loss_db
    assert round(mismatch_loss_db(gamma), _digits(loss_db)) == loss_db


def test_vswr_and_mismatch_loss_agree_with_scikit_rf() -> None:
    """Source: scikit-rf, Network.s_vswr and 1 - |S11|^2, over the whole range of reflection."""
    gamma = np.linspace(0.0, 0.99, 100)
    one_port = skrf.Network(
        f=np.linspace(1e9, 2e9, 100), f_unit="Hz", s=gamma.reshape(-1, 1, 1).astype(complex)
    )
    np.testing.assert_allclose(vswr_from_gamma(gamma), one_port.s_vswr[:, 0, 0], rtol=1e-12)
    expected = -10.0 * np.log10(1.0 - one_port.s_mag[:, 0, 0] ** 2)
    np.testing.assert_allclose(mismatch_loss_db(gamma), expected, atol=1e-12)


def test_free_space_loss_is_that_of_the_itu_formula() -> None:
    """Source: ITU-R P.525, 32.4 + 20 lg f/MHz + 20 lg d/km; 32.4478 unrounded (arithmetic)."""
    assert free_space_path_loss_db(1e6, 1000.0) == pytest.approx(32.4478, abs=5e-5)
    assert round(free_space_path_loss_db(1e9, 0.4), 2) == 24.49
    agreed = 32.4 + 20 * math.log10(1700.0) + 20 * math.log10(0.4e-3)
    assert free_space_path_loss_db(1.7e9, 0.4) == pytest.approx(agreed, abs=0.05)


def test_directivity_limits_a_return_loss_of_20_db_to_19_17_and_20_92() -> None:
    """Source: arithmetic on M = D + G; directivity 40 dB, any text on scalar reflectometry."""
    gamma, leak = gamma_from_return_loss(20.0), gamma_from_return_loss(40.0)
    assert round(return_loss_from_gamma(gamma + leak), 2) == 19.17
    assert round(return_loss_from_gamma(gamma - leak), 2) == 20.92


def test_open_and_short_averaged_leave_a_sixteenth_of_the_error_of_one() -> None:
    """Source: arithmetic; directivity 30, source match 20 dB: 1.16 dB worst of one, 0.067 of both.

    Worst over the signs of directivity and source match, as the printed pair of numbers is.
    """
    d = np.array([0.0316227766, -0.0316227766]).astype(complex)
    s = np.array([0.1, 0.1]).astype(complex)
    one = 20 * np.log10(full_reflection(d, s, "open"))
    both = 20 * np.log10(full_reflection(d, s, "open-and-short"))
    assert round(float(np.abs(one).max()), 2) == 1.16
    assert round(float(np.abs(both).max()), 3) == 0.067


def test_realised_gain_of_the_textbook_dipole() -> None:
    """Source: Balanis, Antenna Theory, ch. 2 (place from memory): U = sin^3, 73 on 50 ohm.

    D = 1.698 (2.30 dB), realised 2.14 dB. The dipole as reference of its own substitution.
    """
    theta = np.linspace(0.0, np.pi, 20001)
    directivity = 2.0 / np.trapezoid(np.sin(theta) ** 4, theta)
    assert round(directivity, 3) == 1.698
    gamma = (73.0 - 50.0) / (73.0 + 50.0)
    gain_dbi = 10 * math.log10(directivity)
    gain, realised = gain_transfer_dbi(gain_dbi, 0.0, gamma, gamma)
    assert round(realised, 2) == 2.14
    assert gain == pytest.approx(gain_dbi, abs=1e-12)


def test_quiet_zone_ripple_of_a_textbook_example() -> None:
    """Source: Kraus, Antennas, example 21-4.2: -22.3 and -23.7 dB give -44.9 dB."""
    level = reflected_level_db(23.7 - 22.3, pattern_db=-(22.3 + 23.7) / 2)
    assert round(level, 1) == -44.9


def test_far_field_of_a_textbook_small_antenna() -> None:
    """Source: Kraus, Antennas, example 21-2.1: 900 MHz, 135 mm."""
    assert round(reactive_distance_m(900e6), 3) == 0.053
    assert round(far_field_distance_m(900e6, 0.135), 3) == 0.109
    assert range_flags(900e6, 0.1, (0.135,)) == ("near-field",)
    assert range_flags(900e6, 1.8, (0.135,)) == ()


def test_a_yagi_ranged_from_its_driven_element_reads_0_93_db_high() -> None:
    """Source: method-of-moments study of the bench (5 elements, 0.4 m, phase centre 41 mm ahead).

    The inverse-distance law alone gives 0.94; 0.02 dB is the rest of the near field.
    """
    assert -phase_centre_correction_db(0.4, 0.041) == pytest.approx(0.93, abs=0.02)


def test_reflected_rays_of_a_lined_box_make_the_known_ripple() -> None:
    """Source: image-source study of a 0.6 x 0.4 x 0.4 m box: a wall 9.7 dB below the direct ray.

    One ray of 9.7 dB beats 6 dB up to down (arithmetic: 20 lg 1.327/0.673 = 5.90 dB).
    """
    assert peak_to_peak_db(-9.7) == pytest.approx(5.90, abs=0.01)
    assert gain_sd_db(-9.7) == pytest.approx(8.686 * 10 ** (-9.7 / 20) / math.sqrt(2), rel=1e-4)


def test_three_antennas_find_gains_that_friis_was_fed_with() -> None:
    """Source: algebra on the Friis equation (IEEE Std 149, from memory)."""
    gains, f, r = (2.15, 5.0, 8.3), 1.7e9, 0.8
    loss = 20 * math.log10(4 * math.pi * r * f / 299792458.0)
    a, b, c = gains
    found = three_antenna_gains_dbi(a + b - loss, a + c - loss, b + c - loss, f, r)
    np.testing.assert_allclose(found, gains, atol=1e-12)
