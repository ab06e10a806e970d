"""Thin parallel wires: Galerkin method of moments with piecewise-sinusoidal bases.

| symbol | name | meaning |
| --- | --- | --- |
| k | wavenumber | 2 pi f / c, rad/m |
| h | step | distance between neighbouring nodes of one wire, m |
| Z | matrix | (n_freq, n_basis, n_basis), ohm |

Every wire is parallel to z. Basis n is the current sin k(h-|z-z_n|) / sin kh around node z_n.
The field of such a filament is three spherical waves (S. A. Schelkunoff and H. T. Friis,
"Antennas: Theory and Practice", 1952, section on sinusoidal current filaments):

    E_z = -j eta/(4 pi sin kh) [ e^-jkR1/R1 - 2 cos kh e^-jkR2/R2 + e^-jkR3/R3 ]

with R1, R2, R3 the distances from the three nodes; its product with another such current
integrates in closed form, to exponential (sine and cosine) integrals. Valid for radius much
smaller than both the wavelength and the wire length; a wire's electrical length is taken as its
length plus its diameter, which stands for the charge on its flat ends.
"""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from simulators.physics.special import sine_cosine_integrals

FloatArray = NDArray[np.float64]
ComplexArray = NDArray[np.complex128]

SPEED_OF_LIGHT_M_PER_S = 299792458.0
IMPEDANCE_OF_SPACE_OHM = 376.730313668
BASES_PER_WIRE = 9


@dataclass(frozen=True)
class Wire:
    """One straight wire parallel to z, centred on (x_m, y_m, z_m)."""

    length_m: float
    radius_m: float
    x_m: float = 0.0
    y_m: float = 0.0
    z_m: float = 0.0

    def nodes_m(self, bases: int) -> FloatArray:
        """z of all nodes, ends included, shape (bases + 2,)."""
        half = self.length_m / 2 + self.radius_m
        return self.z_m + np.linspace(-half, half, bases + 2)


@dataclass(frozen=True)
class Currents:
    """Currents of a wire set fed with one ampere at its feed, and its input impedance."""

    frequency_hz: FloatArray
    impedance_ohm: ComplexArray  # (n_freq,)
    amplitude_a: ComplexArray  # (n_freq, n_wire, bases)
    matrix_ohm: ComplexArray  # (n_freq, n_wire * bases, n_wire * bases)


@dataclass(frozen=True)
class WireSet:
    """Parallel thin wires, the first fed at its centre."""

    wires: tuple[Wire, ...]
    bases: int = BASES_PER_WIRE

    def __post_init__(self) -> None:
        if self.bases % 2 == 0:
            raise ValueError(f"bases {self.bases}: an odd number is needed, to feed at the centre")
        if not self.wires:
            raise ValueError("a wire set needs at least one wire")

    def impedance_matrix_ohm(self, frequency_hz: FloatArray) -> ComplexArray:
        """Reaction between all bases, shape (n_freq, n_wire * bases, n_wire * bases)."""
        frequency = np.atleast_1d(np.asarray(frequency_hz, dtype=np.float64))
        count, size = len(self.wires), self.bases
        matrix = np.empty((frequency.size, count, size, count, size), dtype=np.complex128)
        for i, one in enumerate(self.wires):
            for j, other in enumerate(self.wires[: i + 1]):
                block = reaction_ohm(one, other, frequency, size)
                matrix[:, i, :, j, :] = block
                matrix[:, j, :, i, :] = block.transpose(0, 2, 1)
        return matrix.reshape(frequency.size, count * size, count * size)

    def solve(self, frequency_hz: FloatArray) -> Currents:
        """Currents for one ampere at the feed (the middle of the first wire)."""
        frequency = np.atleast_1d(np.asarray(frequency_hz, dtype=np.float64))
        matrix = self.impedance_matrix_ohm(frequency)
        feed = self.bases // 2
        voltage = np.zeros((frequency.size, matrix.shape[1], 1), dtype=np.complex128)
        voltage[:, feed] = 1.0
        current = np.linalg.solve(matrix, voltage)[:, :, 0]
        at_feed = current[:, feed]
        amplitude = current / at_feed[:, None]
        shape = (frequency.size, len(self.wires), self.bases)
        impedance = np.asarray(1 / at_feed, dtype=np.complex128)
        return Currents(frequency, impedance, amplitude.reshape(shape), matrix)

    def far_field_v(
        self, currents: Currents, theta_rad: FloatArray, phi_rad: FloatArray
    ) -> ComplexArray:
        """r E_theta e^jkr for one ampere at the feed, volts, shape (n_freq, n_direction).

        Directions are paired: theta from +z, phi from +x towards +y. The phase refers to the
        origin. Basis pattern: 2 (cos(kh cos t) - cos kh) / (k sin kh sin^2 t), times
        j eta k sin t / 4 pi (C. A. Balanis, "Antenna Theory", chapter 4, for one dipole).
        """
        k = _wavenumber(currents.frequency_hz)[:, None]
        cos_theta, sin_theta = np.cos(theta_rad)[None, :], np.sin(theta_rad)[None, :]
        safe = np.where(np.abs(sin_theta) < 1e-9, 1.0, sin_theta)
        total = np.zeros((k.size, cos_theta.size), dtype=np.complex128)
        for i, wire in enumerate(self.wires):
            nodes = wire.nodes_m(self.bases)
            step = nodes[1] - nodes[0]
            shape = np.cos(k * step * cos_theta) - np.cos(k * step)
            basis = 2 * shape / (np.sin(k * step) * safe)
            along = np.exp(1j * k[:, :, None] * cos_theta[:, :, None] * nodes[1:-1])
            summed = np.einsum("fdn,fn->fd", along, currents.amplitude_a[:, i])
            across = sin_theta * (wire.x_m * np.cos(phi_rad) + wire.y_m * np.sin(phi_rad))
            total += basis * summed * np.exp(1j * k * across)
        total[:, np.abs(sin_theta[0]) < 1e-9] = 0.0
        return 1j * IMPEDANCE_OF_SPACE_OHM / (4 * np.pi) * total

    def gain_dbi(
        self, currents: Currents, theta_rad: FloatArray, phi_rad: FloatArray
    ) -> FloatArray:
        """Gain over isotropic of the lossless wires, shape (n_freq, n_direction).

        4 pi r^2 S / P_in with S = |E|^2 / 2 eta and P_in = R / 2 for one ampere.
        """
        field = self.far_field_v(currents, theta_rad, phi_rad)
        resistance = currents.impedance_ohm.real[:, None]
        ratio = 4 * np.pi * np.abs(field) ** 2 / (IMPEDANCE_OF_SPACE_OHM * resistance)
        return np.asarray(10 * np.log10(np.maximum(ratio, 1e-30)))


def mutual_impedance_ohm(
    one: WireSet, one_currents: Currents, other: WireSet, other_currents: Currents
) -> ComplexArray:
    """Open-circuit voltage at the other's feed per ampere at the first's, shape (n_freq,).

    The reaction of the two sets' currents (J. H. Richmond, "A reaction theorem and its
    application to antenna impedance calculations", 1961); it leaves out what each set scatters
    back at the other, a second-order effect beyond about one wavelength.
    """
    frequency = one_currents.frequency_hz
    total = np.zeros(frequency.size, dtype=np.complex128)
    for i, first in enumerate(one.wires):
        for j, second in enumerate(other.wires):
            block = reaction_ohm(first, second, frequency, one.bases)
            total += np.einsum(
                "fm,fmn,fn->f",
                one_currents.amplitude_a[:, i],
                block,
                other_currents.amplitude_a[:, j],
            )
    return total


def coupled_ohm(
    one: WireSet, one_currents: Currents, other: WireSet, other_currents: Currents
) -> tuple[ComplexArray, ComplexArray, ComplexArray]:
    """Impedances of two sets as a two-port in free space: own, own, mutual; each (n_freq,).

    The wires of both are solved together, so that what each set scatters back at the other is in
    all three. A Yagi scatters what it receives mostly forward, and little back. With the impedance
    that it has alone, the wave that is reflected to and fro between two Yagis would come out ten
    times too strong.
    """
    frequency, feed = one_currents.frequency_hz, one.bases // 2
    first, second = one_currents.matrix_ohm, other_currents.matrix_ohm
    size = first.shape[1]
    whole = np.zeros((frequency.size, *2 * (size + second.shape[1],)), dtype=np.complex128)
    whole[:, :size, :size], whole[:, size:, size:] = first, second
    for i, near in enumerate(one.wires):
        for j, far in enumerate(other.wires):
            block = reaction_ohm(near, far, frequency, one.bases)
            rows = slice(i * one.bases, (i + 1) * one.bases)
            columns = slice(size + j * other.bases, size + (j + 1) * other.bases)
            whole[:, rows, columns] = block
            whole[:, columns, rows] = block.transpose(0, 2, 1)
    feeds = [feed, size + other.bases // 2]
    volts = np.zeros((*whole.shape[:2], 2), dtype=np.complex128)
    volts[:, feeds[0], 0] = volts[:, feeds[1], 1] = 1.0
    admittance = np.linalg.solve(whole, volts)[:, feeds, :]
    impedance = np.asarray(np.linalg.inv(admittance), dtype=np.complex128)
    return impedance[:, 0, 0], impedance[:, 1, 1], impedance[:, 1, 0]


def reaction_ohm(
    tested: Wire, source: Wire, frequency_hz: FloatArray, bases: int = BASES_PER_WIRE
) -> ComplexArray:
    """Reaction of every basis of ``source`` on every basis of ``tested``.

    Shape (n_freq, bases of tested, bases of source), ohm.
    """
    k = _wavenumber(frequency_hz)
    apart = np.hypot(tested.x_m - source.x_m, tested.y_m - source.y_m)
    rho = apart if apart > 0 else tested.radius_m
    test_nodes, source_nodes = tested.nodes_m(bases), source.nodes_m(bases)
    test_kh = (k * (test_nodes[1] - test_nodes[0]))[:, None, None]
    source_kh = (k * (source_nodes[1] - source_nodes[0]))[:, None, None]
    from_node = _wave_times_basis(k, rho, test_nodes, source_nodes, test_kh)
    field = from_node[:, :, :-2] + from_node[:, :, 2:]
    field = field - 2 * np.cos(source_kh) * from_node[:, :, 1:-1]
    scale = 1j * IMPEDANCE_OF_SPACE_OHM / (4 * np.pi)
    return np.asarray(scale * field / np.sin(source_kh))


def _wave_times_basis(
    k: FloatArray, rho: float, test_nodes: FloatArray, sources: FloatArray, test_kh: FloatArray
) -> ComplexArray:
    """Integral of e^-jkR/R from each source point times each test basis.

    Shape (n_freq, bases, n_source). With u = z - z_source and t = R + u, dt/t = du/R, so that
    the integral of e^-jk(R+u)/R is that of e^-jkt/t: Ci(kt) - j Si(kt). Likewise for R - u.
    """
    u = test_nodes[:, None] - sources[None, :]
    distance = np.hypot(rho, u)
    # R + u loses all digits for u far below zero; rho^2/(R - u) is the same number.
    plus = np.where(u >= 0, distance + u, rho**2 / np.where(u >= 0, 1.0, distance - u))
    minus = np.where(u <= 0, distance - u, rho**2 / np.where(u <= 0, 1.0, distance + u))
    rising = _exponential_integral(k, plus)  # antiderivative of e^-jk(R+u)/R
    falling = -_exponential_integral(k, minus)  # antiderivative of e^-jk(R-u)/R
    rise, fall = np.diff(rising, axis=1), np.diff(falling, axis=1)
    phase = np.exp(1j * k[:, None, None] * u[None])  # e^jk u at the nodes
    # Left half, sin k(z - p1): (e^{-jk u1} e^{jku} - e^{jk u1} e^{-jku}) / 2j; right mirrored.
    left = fall[:, :-1] / phase[:, :-2] - rise[:, :-1] * phase[:, :-2]
    right = rise[:, 1:] * phase[:, 2:] - fall[:, 1:] / phase[:, 2:]
    return np.asarray((left + right) / (2j * np.sin(test_kh)))


def _exponential_integral(k: FloatArray, t: FloatArray) -> ComplexArray:
    """Antiderivative of e^-jkt/t in t, shape (n_freq, *t.shape)."""
    sine, cosine = sine_cosine_integrals(k[:, None, None] * t[None])
    return np.asarray(cosine - 1j * sine)


def _wavenumber(frequency_hz: FloatArray) -> FloatArray:
    return np.asarray(2 * np.pi * np.asarray(frequency_hz) / SPEED_OF_LIGHT_M_PER_S)
