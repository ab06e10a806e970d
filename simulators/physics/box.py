"""The absorber-lined box: image sources in a rectangular room with lossy walls.

Positions in metres from one corner; axis 0 is x (the range), 1 is y, 2 is z (the polarisation).
Image sources up to a given order stand for the walls (J. B. Allen and D. A. Berkley, "Image
method for efficiently simulating small-room acoustics", 1979, for the geometry); the field vector
is carried through every bounce with the wall's TE and TM reflection at that angle. Plane-wave
reflection is assumed, so it holds above the box's first resonance (some 450 MHz, well above
about 1 GHz for the usual sizes).
"""

from collections.abc import Iterator
from dataclasses import dataclass
from itertools import product

import numpy as np
from numpy.typing import NDArray

from simulators.physics.wires import IMPEDANCE_OF_SPACE_OHM, SPEED_OF_LIGHT_M_PER_S

FloatArray = NDArray[np.float64]
ComplexArray = NDArray[np.complex128]
Wall = tuple[int, int]  # axis, and 0 for the wall at 0 or 1 for the wall at the box's size

DEFAULT_ORDER = 3


@dataclass(frozen=True)
class Layer:
    """One layer of the lining, eps = 1 + (susceptibility - j loss) falling with frequency."""

    thickness_m: float
    susceptibility: float
    loss: float


@dataclass(frozen=True)
class Lining:
    """Layers on metal, from the metal outward; slopes are exponents of (1 GHz / f)."""

    layers: tuple[Layer, ...]
    susceptibility_slope: float
    loss_slope: float

    def reflection(
        self, frequency_hz: FloatArray, cos_incidence: float | FloatArray
    ) -> tuple[ComplexArray, ComplexArray]:
        """Reflection of the transverse electric field, (TE, TM), each of shape (n_freq,).

        For angles of shape (n, 1) each of shape (n, n_freq).

        Transmission-line analogy, one line per layer and polarisation (R. F. Harrington,
        "Time-Harmonic Electromagnetic Fields", chapter 2, from memory).
        """
        relative = np.asarray(frequency_hz) / 1e9
        k0 = 2 * np.pi * np.asarray(frequency_hz) / SPEED_OF_LIGHT_M_PER_S
        sin_squared = 1 - cos_incidence**2
        te = np.zeros(k0.shape, dtype=np.complex128)
        tm = np.zeros(k0.shape, dtype=np.complex128)
        for layer in self.layers:
            real = 1 + layer.susceptibility * relative**-self.susceptibility_slope
            eps = np.asarray(
                real - 1j * layer.loss * relative**-self.loss_slope, dtype=np.complex128
            )
            root = np.sqrt(eps - sin_squared)
            tangent = 1j * np.tan(k0 * root * layer.thickness_m)
            te = _seen_through(te, 1 / root, tangent)
            tm = _seen_through(tm, root / eps, tangent)
        te_ratio, tm_ratio = te * cos_incidence, tm / cos_incidence
        return (te_ratio - 1) / (te_ratio + 1), (tm_ratio - 1) / (tm_ratio + 1)


def _seen_through(
    behind: ComplexArray, impedance: ComplexArray | FloatArray, tangent: ComplexArray
) -> ComplexArray:
    """Impedance seen through a layer, all relative to that of space."""
    return np.asarray(impedance * (behind + impedance * tangent) / (impedance + behind * tangent))


@dataclass(frozen=True)
class Path:
    """One ray between two points: directions are unit vectors, shape (3,)."""

    length_m: float
    departure: FloatArray
    arrival: FloatArray  # direction of travel when it arrives
    bounces: tuple[tuple[Wall, float, FloatArray], ...]  # wall, cos(incidence), travel before


@dataclass(frozen=True)
class Box:
    """A rectangular box with one lining; open walls reflect nothing."""

    size_m: tuple[float, float, float]
    lining: Lining
    open_walls: frozenset[Wall] = frozenset()

    def paths(
        self,
        start_m: tuple[float, float, float],
        end_m: tuple[float, float, float],
        order: int = DEFAULT_ORDER,
    ) -> list[Path]:
        """Every ray with at most ``order`` bounces, the direct one first.

        Between a point and itself there is no direct ray.
        """
        rays = []
        start = np.array(start_m)
        for image, bounces in self._images(end_m, order):
            along = image - start
            length = float(np.linalg.norm(along))
            if length < 1e-9:
                continue
            ray = self._trace(start, along / length, length)
            if len(ray.bounces) == bounces and not self._leaves(ray):
                rays.append(ray)
        return sorted(rays, key=lambda ray: len(ray.bounces))

    def _images(
        self, point_m: tuple[float, float, float], order: int
    ) -> Iterator[tuple[FloatArray, int]]:
        cells = range(-order, order + 1)
        for cell in product(cells, repeat=3):
            bounces = sum(abs(number) for number in cell)
            if bounces <= order:
                image = [
                    number * size + (place if number % 2 == 0 else size - place)
                    for number, size, place in zip(cell, self.size_m, point_m, strict=True)
                ]
                yield np.array(image), bounces

    def _trace(self, start: FloatArray, direction: FloatArray, length: float) -> Path:
        """Fold the straight line back into the box, noting each wall in the order it is met."""
        crossings: list[tuple[float, int, int]] = []
        for axis, size in enumerate(self.size_m):
            first, last = start[axis], start[axis] + direction[axis] * length
            low, high = sorted((first, last))
            for plane in range(int(np.ceil(low / size)), int(np.floor(high / size)) + 1):
                crossings.append(((plane * size - first) / direction[axis], axis, plane % 2))
        travel = direction.copy()
        bounces = []
        for _, axis, side in sorted(crossings):
            bounces.append(((axis, side), abs(float(travel[axis])), travel.copy()))
            travel[axis] = -travel[axis]
        return Path(length, direction, travel, tuple(bounces))

    def _leaves(self, ray: Path) -> bool:
        return any(wall in self.open_walls for wall, _, _ in ray.bounces)

    def factors(self, rays: list[Path], frequency_hz: FloatArray) -> ComplexArray:
        """e^-jkR/R times reflections, theta-polarised at both ends, (n_ray, n_freq)."""
        frequency = np.asarray(frequency_hz, dtype=np.float64)
        k = 2 * np.pi * frequency / SPEED_OF_LIGHT_M_PER_S
        if not rays:
            return np.zeros((0, frequency.size), dtype=np.complex128)
        # Many rays share an angle by symmetry: each is worked out once.
        angles = sorted({round(cos, 9) for ray in rays for _, cos, _ in ray.bounces})
        te, tm = self.lining.reflection(frequency, np.array(angles)[:, None])
        place = {angle: number for number, angle in enumerate(angles)}
        field = np.array([_theta(ray.departure) for ray in rays])[:, None, :] + 0j
        field = np.repeat(field, frequency.size, axis=1)
        for number in range(max(len(ray.bounces) for ray in rays)):
            still = [i for i, ray in enumerate(rays) if len(ray.bounces) > number]
            axes, cosines, travels = zip(
                *(
                    (wall[0], cos, way)
                    for wall, cos, way in (rays[i].bounces[number] for i in still)
                ),
                strict=True,
            )
            at = [place[round(cos, 9)] for cos in cosines]
            field[still] = _bounce(field[still], np.array(axes), np.array(travels), te[at], tm[at])
        lengths = np.array([ray.length_m for ray in rays])[:, None]
        arriving = np.array([_theta(ray.arrival) for ray in rays])
        spread = np.exp(-1j * k * lengths) / lengths
        return np.asarray(spread * np.einsum("rfa,ra->rf", field, arriving))


def _bounce(
    field: ComplexArray,
    axis: NDArray[np.int_],
    travel: FloatArray,
    te: ComplexArray,
    tm: ComplexArray,
) -> ComplexArray:
    """The field vectors after a wall: TE part times ``te``, TM part by the transverse field.

    field: shape (n_ray, n_freq, 3); axis: of each ray's wall, (n_ray,); travel: (n_ray, 3);
    te, tm: (n_ray, n_freq).
    """
    normal = np.eye(3)[axis]
    across = np.cross(travel, normal)
    size = np.linalg.norm(across, axis=1, keepdims=True)
    # Straight onto the wall, any transverse axis will do.
    straight = size < 1e-9
    across = np.where(straight, np.roll(normal, 1, axis=1), across / np.where(straight, 1.0, size))
    after = travel * (1.0 - 2.0 * normal)
    in_plane, out_plane = np.cross(across, travel), np.cross(across, after)
    # ``tm`` reflects the tangential E; cross(across, travel) turns its tangential part over.
    along = te * np.einsum("rfa,ra->rf", field, across)
    turned = tm * np.einsum("rfa,ra->rf", field, in_plane)
    return np.asarray(along[..., None] * across[:, None] - turned[..., None] * out_plane[:, None])


def _theta(direction: FloatArray) -> FloatArray:
    """The theta unit vector of a direction; zero along z, where a z wire does not radiate."""
    x, y, z = direction
    level = float(np.hypot(x, y))
    if level < 1e-9:
        return np.zeros(3)
    return np.array([z * x / level, z * y / level, -level])


def field_coupling_ohm(
    one_field_v: ComplexArray, other_field_v: ComplexArray, factor: ComplexArray, k: FloatArray
) -> ComplexArray:
    """Mutual impedance of two antennas over one ray, shape (n_freq,).

    Open-circuit voltage = effective length times field; the effective length is the far field
    per ampere times 4 pi / (j eta k) (reciprocity).
    """
    return np.asarray(
        one_field_v * other_field_v * factor * 4 * np.pi / (1j * IMPEDANCE_OF_SPACE_OHM * k)
    )
