"""What must hold for any set of wires, whatever its shape."""

import numpy as np
import pytest
from numpy.testing import assert_allclose

from simulators.physics.wires import (
    IMPEDANCE_OF_SPACE_OHM,
    Wire,
    WireSet,
    mutual_impedance_ohm,
    reaction_ohm,
)

FREQUENCY_HZ = np.linspace(1.2e9, 2.2e9, 5)
DIPOLE = WireSet((Wire(0.083, 0.0005),))
YAGI = WireSet(
    tuple(
        Wire(length, 0.0005, x)
        for length, x in ((0.0802, 0.0), (0.0880, -0.035), (0.0747, 0.035), (0.0761, 0.070))
    )
)


def radiated_w(wires: WireSet) -> np.ndarray:
    """Power through a large sphere for one ampere, by Gauss and trapezoidal quadrature."""
    cosine, weight = np.polynomial.legendre.leggauss(40)
    phi = np.arange(72) * 2 * np.pi / 72
    theta_grid, phi_grid = np.meshgrid(np.arccos(cosine), phi, indexing="ij")
    currents = wires.solve(FREQUENCY_HZ)
    field = wires.far_field_v(currents, theta_grid.ravel(), phi_grid.ravel())
    density = np.abs(field) ** 2 / (2 * IMPEDANCE_OF_SPACE_OHM)
    rings = density.reshape(FREQUENCY_HZ.size, 40, 72).mean(axis=2) * 2 * np.pi
    return rings @ weight


@pytest.mark.parametrize("wires", [DIPOLE, YAGI], ids=["dipole", "yagi"])
def test_lossless_wires_radiate_what_they_are_fed(wires: WireSet) -> None:
    fed_w = wires.solve(FREQUENCY_HZ).impedance_ohm.real / 2
    assert_allclose(radiated_w(wires) / fed_w, 1.0, atol=0.01)


def test_impedance_matrix_is_symmetric() -> None:
    matrix = YAGI.impedance_matrix_ohm(FREQUENCY_HZ)
    largest = np.abs(matrix).max()
    assert_allclose(matrix, matrix.transpose(0, 2, 1), atol=1e-9 * largest)


def test_reaction_of_unlike_wires_is_reciprocal() -> None:
    one, other = Wire(0.083, 0.0005), Wire(0.061, 0.0015, 0.02, 0.05, 0.03)
    there, back = reaction_ohm(one, other, FREQUENCY_HZ), reaction_ohm(other, one, FREQUENCY_HZ)
    assert_allclose(there, back.transpose(0, 2, 1), rtol=1e-8, atol=1e-10)


def test_mutual_impedance_of_two_antennas_is_reciprocal() -> None:
    far = WireSet((Wire(0.0815, 0.0005, 0.4, 0.05),))
    one, other = YAGI.solve(FREQUENCY_HZ), far.solve(FREQUENCY_HZ)
    assert_allclose(
        mutual_impedance_ohm(YAGI, one, far, other),
        mutual_impedance_ohm(far, other, YAGI, one),
        rtol=1e-8,
    )


def test_coupling_far_away_obeys_the_free_space_formula() -> None:
    # H. T. Friis, "A note on a simple transmission formula", 1946: |Z21|^2 / 4 R1 R2 is the
    # transmission between matched antennas, G1 G2 (wavelength / 4 pi r)^2.
    frequency_hz, distance_m = np.array([1.7e9]), 20.0
    far = WireSet((Wire(0.083, 0.0005, distance_m),))
    one, other = DIPOLE.solve(frequency_hz), far.solve(frequency_hz)
    mutual = mutual_impedance_ohm(DIPOLE, one, far, other)
    matched = np.abs(mutual) ** 2 / (4 * one.impedance_ohm.real * other.impedance_ohm.real)
    gain_dbi = DIPOLE.gain_dbi(one, np.array([np.pi / 2]), np.array([0.0]))[0, 0]
    wavelength_m = 299792458.0 / 1.7e9
    friis_db = 2 * gain_dbi + 20 * np.log10(wavelength_m / (4 * np.pi * distance_m))
    assert_allclose(10 * np.log10(matched[0]), friis_db, atol=0.002)


def test_gain_along_the_wire_is_nothing_at_all() -> None:
    currents = DIPOLE.solve(FREQUENCY_HZ)
    field = DIPOLE.far_field_v(currents, np.array([0.0, np.pi]), np.zeros(2))
    assert_allclose(field, 0.0, atol=0.0)


def test_yagi_favours_the_side_of_its_directors() -> None:
    currents = YAGI.solve(np.array([1.7e9]))
    ahead, behind = YAGI.gain_dbi(currents, np.full(2, np.pi / 2), np.array([0.0, np.pi]))[0]
    assert ahead > behind + 8


def test_a_longer_wire_resonates_lower_nearly_in_proportion() -> None:
    frequency_hz = np.linspace(1.5e9, 1.9e9, 81)
    zeros = [
        np.interp(
            0.0,
            WireSet((Wire(length, 0.0005),)).solve(frequency_hz).impedance_ohm.imag,
            frequency_hz,
        )
        for length in (0.080, 0.084)
    ]
    assert_allclose(zeros[0] / zeros[1], 0.084 / 0.080, rtol=0.005)


def test_an_even_number_of_bases_is_refused() -> None:
    with pytest.raises(ValueError, match="bases 8: an odd number is needed"):
        WireSet((Wire(0.08, 0.0005),), bases=8)


def test_a_set_without_wires_is_refused() -> None:
    with pytest.raises(ValueError, match="needs at least one wire"):
        WireSet(())
