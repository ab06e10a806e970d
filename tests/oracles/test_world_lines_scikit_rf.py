"""The virtual world's two-ports against scikit-rf."""

import numpy as np
import pytest
import skrf
from numpy.testing import assert_allclose

from simulators.physics.lines import (
    ThreePort,
    TwoPort,
    impedance_two_port,
    line_section,
    lossless_step,
    matched_line,
    series_impedance,
)

FREQUENCY_HZ = np.linspace(0.4e9, 6e9, 29)
FREQUENCY = skrf.Frequency.from_f(FREQUENCY_HZ, unit="Hz")


def network(two: TwoPort) -> skrf.Network:
    s = np.array([[two.s11, two.s12], [two.s21, two.s22]]).transpose(2, 0, 1)
    return skrf.Network(frequency=FREQUENCY, s=s, z0=50)


def one_port(reflection: np.ndarray) -> skrf.Network:
    return skrf.Network(frequency=FREQUENCY, s=reflection.reshape(-1, 1, 1), z0=50)


def drawn(seed: int, size: float) -> np.ndarray:
    rng = np.random.default_rng(seed)
    return size * np.exp(2j * np.pi * rng.uniform(size=FREQUENCY_HZ.size))


def some_two_port(seed: int) -> TwoPort:
    return TwoPort(
        drawn(seed, 0.3), drawn(seed + 1, 0.7), drawn(seed + 2, 0.6), drawn(seed + 3, 0.2)
    )


def test_cascade_agrees_with_scikit_rf() -> None:
    one, two, three = some_two_port(10), some_two_port(20), some_two_port(30)
    ours = network(one.then(two).then(three))
    assert_allclose(ours.s, (network(one) ** network(two) ** network(three)).s, atol=1e-12)


def test_terminated_two_port_agrees_with_scikit_rf() -> None:
    two, load = some_two_port(40), drawn(7, 0.8)
    theirs = (network(two) ** one_port(load)).s[:, 0, 0]
    assert_allclose(two.reflection(load), theirs, atol=1e-12)


def test_line_of_another_impedance_agrees_with_scikit_rf() -> None:
    medium = skrf.media.DefinedGammaZ0(
        FREQUENCY, z0_port=50, z0=39.5, gamma=2j * np.pi * FREQUENCY_HZ / 299792458.0
    )
    theirs = medium.line(0.0458, "m")
    assert_allclose(network(line_section(FREQUENCY_HZ, 39.5, 0.0458)).s, theirs.s, atol=1e-9)


def test_series_impedance_agrees_with_scikit_rf() -> None:
    inductance_h = 2e-9
    medium = skrf.media.DefinedGammaZ0(FREQUENCY, z0=50, gamma=1j)
    ours = network(series_impedance(2j * np.pi * FREQUENCY_HZ * inductance_h))
    assert_allclose(ours.s, medium.inductor(inductance_h).s, atol=1e-12)


def test_impedance_two_port_agrees_with_scikit_rf() -> None:
    z11, z22, z21 = 70 + drawn(1, 20), 30 + drawn(2, 10), drawn(3, 8)
    z = np.array([[z11, z21], [z21, z22]]).transpose(2, 0, 1)
    ours = network(impedance_two_port(z11, z22, z21))
    assert_allclose(ours.s, skrf.network.z2s(z, 50), atol=1e-12)


def reflectometer(load: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """The same source, coupler, load and receiver solved here and by scikit-rf's circuit."""
    coupler = ThreePort(
        s11=drawn(50, 0.06),
        s22=drawn(51, 0.07),
        s33=drawn(52, 0.05),
        s21=drawn(53, 0.9),
        s31=drawn(54, 0.004),
        s32=drawn(55, 0.16),
    )
    source, receiver = drawn(56, 0.15), drawn(57, 0.12)
    cable = lossless_step(drawn(58, 0.04)).then(matched_line(FREQUENCY_HZ, 0.5, 0.7, 0.4))
    ours = cable.then(coupler.with_test_port_on(load)).transfer(source, receiver)
    c = coupler
    s = np.array([[c.s11, c.s21, c.s31], [c.s21, c.s22, c.s32], [c.s31, c.s32, c.s33]]).transpose(
        2, 0, 1
    )
    whole = skrf.Network(frequency=FREQUENCY, s=s, z0=50)
    whole = skrf.network.connect(whole, 1, one_port(load), 0)
    chain = network(cable) ** whole
    # A port with reflection is a matched port behind a two-port that passes waves one way.
    one = np.ones_like(source)
    ahead = network(TwoPort(0 * one, one, one, source))
    behind = network(TwoPort(receiver, one, one, 0 * one))
    return ours, (ahead**chain**behind).s[:, 1, 0]


@pytest.mark.parametrize("size", [0.0, 0.2, 1.0], ids=["match", "antenna", "total-reflection"])
def test_reflectometer_with_all_mismatches_agrees_with_scikit_rf(size: float) -> None:
    ours, theirs = reflectometer(drawn(59, size))
    assert_allclose(ours, theirs, atol=1e-12)
