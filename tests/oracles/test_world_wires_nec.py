"""The virtual world's wires against NEC2 (G. J. Burke, A. J. Poggio, 1981), run by necpp."""

import necpp
import numpy as np
import pytest
from numpy.testing import assert_allclose
from numpy.typing import NDArray

from simulators.physics.wires import Wire, WireSet, coupled_ohm

FORWARD = (np.array([np.pi / 2]), np.array([0.0]))
# The segment is kept near four radii, where NEC2's thin-wire kernel and its gap are at home.
SEGMENTS = 41
YAGI_LENGTHS_M = (0.0802, 0.0880, 0.0747, 0.0761, 0.0712)
YAGI_ALONG_M = (0.0, -0.035, 0.035, 0.070, 0.106)


def nec2(wires: WireSet, frequency_hz: float, segments: int) -> tuple[complex, float]:
    """Input impedance and largest gain of the same wires in NEC2."""
    context = necpp.nec_create()
    try:
        for number, wire in enumerate(wires.wires, start=1):
            x, y, half = wire.x_m, wire.y_m, wire.length_m / 2
            ends = (x, y, wire.z_m - half, x, y, wire.z_m + half)
            assert necpp.nec_wire(context, number, segments, *ends, wire.radius_m, 1, 1) == 0
        necpp.nec_geometry_complete(context, 0)
        necpp.nec_fr_card(context, 0, 1, frequency_hz / 1e6, 0)
        necpp.nec_ex_card(context, 0, 1, segments // 2 + 1, 0, 1, 0, 0, 0, 0, 0)
        necpp.nec_rp_card(context, 0, 1, 1, 0, 5, 0, 0, 90, 0, 0, 0, 0, 0)
        real = necpp.nec_impedance_real(context, 0)
        imaginary = necpp.nec_impedance_imag(context, 0)
        return complex(real, imaginary), float(necpp.nec_gain_max(context, 0))
    finally:
        necpp.nec_delete(context)


def zero_of_reactance_hz(
    frequency_hz: NDArray[np.float64], impedance_ohm: NDArray[np.complex128]
) -> float:
    return float(np.interp(0.0, impedance_ohm.imag, frequency_hz))


def yagi(elements: int, radius_m: float) -> WireSet:
    return WireSet(
        tuple(
            Wire(length, radius_m, x)
            for length, x in zip(YAGI_LENGTHS_M[:elements], YAGI_ALONG_M[:elements], strict=True)
        )
    )


def test_nec2_itself_gives_its_printed_example() -> None:
    # NEC-2 User's Guide, example 1: 82.698 + j46.306 ohm; guards this file's use of the library.
    impedance, _ = nec2(WireSet((Wire(0.5, 0.001),)), 299.8e6, 7)
    assert_allclose([impedance.real, impedance.imag], [82.698, 46.306], atol=0.02)


@pytest.mark.parametrize("radius_m", [0.0005, 0.00025])
def test_dipole_agrees_within_two_ohm_over_thirty_per_cent_of_frequency(radius_m: float) -> None:
    wires = WireSet((Wire(0.0842, radius_m),))
    frequency_hz = np.linspace(0.85, 1.15, 16) * 1.7e9
    ours = wires.solve(frequency_hz).impedance_ohm
    theirs = np.array([nec2(wires, float(one), SEGMENTS)[0] for one in frequency_hz])
    assert np.abs(ours - theirs).max() < 2.0


@pytest.mark.parametrize("radius_m", [0.0005, 0.00025, 0.0001])
def test_dipole_resonance_agrees_within_a_fifth_of_a_per_cent(radius_m: float) -> None:
    wires = WireSet((Wire(0.0842, radius_m),))
    frequency_hz = np.linspace(0.94, 1.06, 13) * 1.69e9
    theirs = np.array([nec2(wires, float(one), SEGMENTS)[0] for one in frequency_hz])
    ours = wires.solve(frequency_hz).impedance_ohm
    ratio = zero_of_reactance_hz(frequency_hz, ours) / zero_of_reactance_hz(frequency_hz, theirs)
    assert_allclose(ratio, 1.0, atol=0.002)


@pytest.mark.parametrize("elements", [3, 5])
@pytest.mark.parametrize("radius_m", [0.0005, 0.00035])
def test_yagi_gain_and_resonance_agree(elements: int, radius_m: float) -> None:
    wires = yagi(elements, radius_m)
    frequency_hz = np.linspace(1.6e9, 1.78e9, 7)
    currents = wires.solve(frequency_hz)
    theirs = [nec2(wires, float(one), 31) for one in frequency_hz]
    gain_dbi = wires.gain_dbi(currents, *FORWARD)[:, 0]
    assert_allclose(gain_dbi, [one[1] for one in theirs], atol=0.11)
    ours_hz = zero_of_reactance_hz(frequency_hz, currents.impedance_ohm)
    theirs_hz = zero_of_reactance_hz(frequency_hz, np.array([one[0] for one in theirs]))
    assert_allclose(ours_hz / theirs_hz, 1.0, atol=0.002)


def facing(elements: int, apart_m: float) -> tuple[WireSet, WireSet]:
    """Two Yagis that look at each other along x."""
    one = yagi(elements, 0.0005)
    turned = (Wire(w.length_m, w.radius_m, apart_m - w.x_m) for w in one.wires)
    return one, WireSet(tuple(turned))


def pair_in_nec2(one: WireSet, other: WireSet, frequency_hz: float) -> tuple[complex, complex]:
    """Own and mutual impedance of two like antennas: fed alike and against each other."""
    found = []
    for second in (1.0, -1.0):
        context = necpp.nec_create()
        try:
            for number, wire in enumerate((*one.wires, *other.wires), start=1):
                x, half = wire.x_m, wire.length_m / 2
                ends = (x, 0.0, -half, x, 0.0, half)
                assert necpp.nec_wire(context, number, SEGMENTS, *ends, wire.radius_m, 1, 1) == 0
            necpp.nec_geometry_complete(context, 0)
            necpp.nec_fr_card(context, 0, 1, frequency_hz / 1e6, 0)
            for number, volts in ((1, 1.0), (1 + len(one.wires), second)):
                necpp.nec_ex_card(context, 0, number, SEGMENTS // 2 + 1, 0, volts, 0, 0, 0, 0, 0)
            necpp.nec_rp_card(context, 0, 1, 1, 0, 5, 0, 0, 90, 0, 0, 0, 0, 0)
            real = necpp.nec_impedance_real(context, 0)
            found.append(complex(real, necpp.nec_impedance_imag(context, 0)))
        finally:
            necpp.nec_delete(context)
    return (found[0] + found[1]) / 2.0, (found[0] - found[1]) / 2.0


@pytest.mark.parametrize("elements", [1, 3, 5])
def test_two_antennas_change_each_others_impedance_as_in_nec2(elements: int) -> None:
    """What an antenna scatters back changes the other's own impedance. Of Yagis this takes away
    the wave to and fro that the mutual impedance alone would make."""
    frequency_hz, matched_ohm = 1.7e9, 28.0
    through, alone_through = [], []
    for apart_m in np.linspace(0.40, 0.52, 7):
        one, other = facing(elements, float(apart_m))
        at_hz = np.array([frequency_hz])
        near, far = one.solve(at_hz), other.solve(at_hz)
        own, _, mutual = (z[0] for z in coupled_ohm(one, near, other, far))
        own_nec, mutual_nec = pair_in_nec2(one, other, frequency_hz)
        alone_nec = nec2(one, frequency_hz, SEGMENTS)[0]
        change, change_nec = own - near.impedance_ohm[0], own_nec - alone_nec
        assert abs(change - change_nec) < 0.15 * abs(change_nec) + 0.25
        assert abs(mutual - mutual_nec) < 0.08 * abs(mutual_nec)
        for z, into in ((own, through), (near.impedance_ohm[0], alone_through)):
            into.append(abs(mutual / ((z + matched_ohm) ** 2 - mutual**2)) * apart_m)
    if elements > 1:
        # The transmission falls with distance and hardly ripples: with own impedances as they are
        # alone it would, by several times as much.
        bent = [np.std(np.diff(20.0 * np.log10(one), 2)) for one in (through, alone_through)]
        assert bent[0] < 0.35 * bent[1]
