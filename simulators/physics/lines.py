"""Two-ports and terminations in travelling waves, all on 50 ohm, solved with every mismatch.

Arrays have shape (n_freq,). Cascade and termination formulas: D. M. Pozar, "Microwave
Engineering", chapter 4 (place from memory); checked against scikit-rf in the tests.
"""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from simulators.physics.wires import SPEED_OF_LIGHT_M_PER_S

FloatArray = NDArray[np.float64]
ComplexArray = NDArray[np.complex128]

REFERENCE_OHM = 50.0


@dataclass(frozen=True)
class TwoPort:
    """A two-port's scattering parameters, each of shape (n_freq,)."""

    s11: ComplexArray
    s12: ComplexArray
    s21: ComplexArray
    s22: ComplexArray

    def then(self, after: "TwoPort") -> "TwoPort":
        """This two-port with ``after`` connected to its port 2."""
        loop = 1 / (1 - self.s22 * after.s11)
        return TwoPort(
            s11=self.s11 + self.s12 * after.s11 * self.s21 * loop,
            s12=self.s12 * after.s12 * loop,
            s21=self.s21 * after.s21 * loop,
            s22=after.s22 + after.s21 * self.s22 * after.s12 * loop,
        )

    def reflection(self, load: ComplexArray) -> ComplexArray:
        """Reflection at port 1 with port 2 on a load of that reflection."""
        return np.asarray(self.s11 + self.s12 * self.s21 * load / (1 - self.s22 * load))

    def transfer(self, source: ComplexArray, load: ComplexArray) -> ComplexArray:
        """Wave incident on the load per wave that the source sends into a matched line."""
        loop = (1 - self.s11 * source) * (1 - self.s22 * load)
        return np.asarray(self.s21 / (loop - self.s12 * self.s21 * source * load))

    def turned(self) -> "TwoPort":
        """The same two-port seen from its other side."""
        return TwoPort(self.s22, self.s21, self.s12, self.s11)

    def scaled(self, factor: complex) -> "TwoPort":
        """Transmission both ways times ``factor``."""
        return TwoPort(self.s11, self.s12 * factor, self.s21 * factor, self.s22)


@dataclass(frozen=True)
class ThreePort:
    """A coupler whose fourth port is terminated: 1 in, 2 test port, 3 coupled arm.

    Port 3 receives a part of what enters port 2 (s32, the coupling), and a little of what enters
    port 1 (s31, the leak: the directivity is finite). Reciprocal.
    """

    s11: ComplexArray
    s22: ComplexArray
    s33: ComplexArray
    s21: ComplexArray
    s31: ComplexArray
    s32: ComplexArray

    def with_test_port_on(self, load: ComplexArray) -> TwoPort:
        """Two-port from the input to the coupled arm, the test port on a load."""
        loop = load / (1 - self.s22 * load)
        through = self.s31 + self.s32 * self.s21 * loop
        return TwoPort(
            s11=self.s11 + self.s21**2 * loop,
            s12=through,
            s21=through,
            s22=self.s33 + self.s32**2 * loop,
        )


def matched_line(
    frequency_hz: FloatArray, length_m: float, velocity_factor: float, loss_db: FloatArray | float
) -> TwoPort:
    """A matched line: loss in dB (positive) and the delay of its electrical length."""
    frequency_hz = np.asarray(frequency_hz, dtype=np.float64)
    delay_s = length_m / (velocity_factor * SPEED_OF_LIGHT_M_PER_S)
    through = np.exp(-2j * np.pi * frequency_hz * delay_s) * 10 ** (-np.asarray(loss_db) / 20)
    nought = np.zeros(frequency_hz.shape, dtype=np.complex128)
    return TwoPort(nought, through, through, nought)


def lossless_step(reflection: ComplexArray) -> TwoPort:
    """A small lossless reflection, as at a connector: unitary and reciprocal."""
    through = np.sqrt(1 - np.abs(reflection) ** 2) + 0j
    return TwoPort(reflection, through, through, -np.conj(reflection))


def line_section(
    frequency_hz: FloatArray, line_ohm: float, length_m: float, velocity_factor: float = 1.0
) -> TwoPort:
    """A lossless line of another impedance, seen from 50 ohm on both sides."""
    step = (line_ohm - REFERENCE_OHM) / (line_ohm + REFERENCE_OHM)
    up = lossless_step(np.full(frequency_hz.shape, step + 0j))
    line = matched_line(frequency_hz, length_m, velocity_factor, 0.0)
    return up.then(line).then(up.turned())


def series_impedance(impedance_ohm: ComplexArray) -> TwoPort:
    """An impedance in series with the line."""
    whole = impedance_ohm + 2 * REFERENCE_OHM
    through = 2 * REFERENCE_OHM / whole
    return TwoPort(impedance_ohm / whole, through, through, impedance_ohm / whole)


def impedance_two_port(z11: ComplexArray, z22: ComplexArray, z21: ComplexArray) -> TwoPort:
    """Scattering parameters of a reciprocal two-port given by impedances in ohm."""
    one, two = z11 + REFERENCE_OHM, z22 + REFERENCE_OHM
    whole = one * two - z21**2
    through = 2 * REFERENCE_OHM * z21 / whole
    return TwoPort(
        s11=((z11 - REFERENCE_OHM) * two - z21**2) / whole,
        s12=through,
        s21=through,
        s22=(one * (z22 - REFERENCE_OHM) - z21**2) / whole,
    )


def to_reflection(impedance_ohm: ComplexArray) -> ComplexArray:
    """Reflection of an impedance in ohm."""
    return np.asarray((impedance_ohm - REFERENCE_OHM) / (impedance_ohm + REFERENCE_OHM))


def open_reflection(frequency_hz: FloatArray, capacitance_f: float) -> ComplexArray:
    """An open end with its fringing capacitance."""
    admittance = 2j * np.pi * frequency_hz * capacitance_f * REFERENCE_OHM
    return np.asarray((1 - admittance) / (1 + admittance))


def short_reflection(frequency_hz: FloatArray, inductance_h: float) -> ComplexArray:
    """A short with its own inductance."""
    reactance = np.asarray(2j * np.pi * frequency_hz * inductance_h, dtype=np.complex128)
    return to_reflection(reactance)


def cable_loss_db(
    frequency_hz: FloatArray, length_m: float, db_per_m_at_1ghz: float, dielectric_share: float
) -> FloatArray:
    """Loss of a coaxial cable, dB (positive): skin effect as sqrt f, dielectric as f."""
    relative = np.asarray(frequency_hz) / 1e9
    shape = (1 - dielectric_share) * np.sqrt(relative) + dielectric_share * relative
    return np.asarray(length_m * db_per_m_at_1ghz * shape)
