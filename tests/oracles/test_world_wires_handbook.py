"""The virtual world's wires against handbook tables and measured antennas."""

import numpy as np
import pytest
from numpy.testing import assert_allclose

from simulators.physics.wires import SPEED_OF_LIGHT_M_PER_S, Wire, WireSet

ONE_METRE_WAVE_HZ = np.array([SPEED_OF_LIGHT_M_PER_S])  # lengths below are then in wavelengths
DIPOLE_DBI = 2.15


def thin_half_wave() -> WireSet:
    """The thin limit: one sinusoid on a vanishing radius, as the textbook derives it."""
    radius = 1e-8
    return WireSet((Wire(0.5 - 2 * radius, radius),), bases=1)


def forward_gain_dbi(wires: WireSet) -> float:
    currents = wires.solve(ONE_METRE_WAVE_HZ)
    return float(wires.gain_dbi(currents, np.array([np.pi / 2]), np.array([0.0]))[0, 0])


def half_power_beamwidth_degrees(wires: WireSet, plane: str) -> float:
    currents = wires.solve(ONE_METRE_WAVE_HZ)
    off = np.linspace(0, np.pi / 2, 1801)
    level = np.full(off.shape, np.pi / 2)
    if plane == "E":
        gain = wires.gain_dbi(currents, level - off, np.zeros(off.shape))[0]
    else:
        gain = wires.gain_dbi(currents, level, off)[0]
    return float(2 * np.degrees(off[np.argmax(gain < gain[0] - 10 * np.log10(2))]))


def measured_yagi(parasites: list[float], spacing: float) -> WireSet:
    """Reflector and directors of NBS Technical Note 688; the driven length is not critical."""
    along = [0.0, -0.2] + [spacing * number for number in range(1, len(parasites))]
    lengths = [0.47, *parasites]
    return WireSet(tuple(Wire(one, 0.00425, x) for one, x in zip(lengths, along, strict=True)))


def test_thin_half_wave_dipole_has_the_textbook_impedance() -> None:
    # C. A. Balanis, Antenna Theory, chapter 8: 73 + j42.5 ohm (73.1 with rounded constants).
    impedance = thin_half_wave().solve(ONE_METRE_WAVE_HZ).impedance_ohm[0]
    assert_allclose([impedance.real, impedance.imag], [73.1, 42.5], atol=0.05)


def test_thin_half_wave_dipole_has_the_textbook_directivity() -> None:
    # C. A. Balanis, Antenna Theory, chapter 4: 1.643 by its table, 1.641 exactly.
    assert_allclose(10 ** (forward_gain_dbi(thin_half_wave()) / 10), 1.641, atol=0.001)


def test_thin_half_wave_dipole_has_a_beamwidth_of_78_degrees() -> None:
    # C. A. Balanis, Antenna Theory, chapter 4.
    assert_allclose(half_power_beamwidth_degrees(thin_half_wave(), "E"), 78.0, atol=0.3)


def test_current_of_many_bases_tends_to_the_sinusoid_as_the_wire_thins() -> None:
    # The sinusoidal current is the limit of a vanishing radius (Balanis, chapter 8).
    distances = []
    for radius in (1e-3, 1e-5, 1e-8):
        wires = WireSet((Wire(0.5 - 2 * radius, radius),))
        distances.append(abs(wires.solve(ONE_METRE_WAVE_HZ).impedance_ohm[0] - (73.1 + 42.5j)))
    assert distances[0] > distances[1] > distances[2]
    assert distances[2] < 3.0


@pytest.mark.parametrize(
    ("parasites", "spacing", "gain_dbd"),
    [
        pytest.param([0.482, 0.442], 0.2, 7.1, id="boom-0.4-wavelength"),
        pytest.param([0.482, 0.428, 0.424, 0.428], 0.2, 9.2, id="boom-0.8-wavelength"),
        # Director lengths of the next two from memory.
        pytest.param([0.482, 0.428, 0.420, 0.420, 0.428], 0.25, 10.2, id="boom-1.2-wavelength"),
        pytest.param(
            [0.482, 0.432, 0.415, 0.407, 0.398, 0.390, 0.390, 0.390, 0.390, 0.398, 0.407],
            0.2,
            12.25,
            id="boom-2.2-wavelength",
        ),
    ],
)
def test_yagi_gain_agrees_with_measurement(
    parasites: list[float], spacing: float, gain_dbd: float
) -> None:
    # P. P. Viezbicke, Yagi Antenna Design, NBS Technical Note 688 (1976), table 1: measured, dBd;
    # element radius 0.00425 wavelength; its own accuracy is taken as +-0.5 dB.
    wires = measured_yagi(parasites, spacing)
    assert_allclose(forward_gain_dbi(wires) - DIPOLE_DBI, gain_dbd, atol=0.5)


def test_yagi_beamwidths_agree_with_measurement() -> None:
    # NBS Technical Note 688, boom 0.8 wavelength: 48 degrees in the E plane, 56 in the H plane.
    wires = measured_yagi([0.482, 0.428, 0.424, 0.428], 0.2)
    measured = [half_power_beamwidth_degrees(wires, plane) for plane in ("E", "H")]
    assert_allclose(measured, [48.0, 56.0], atol=1.5)
