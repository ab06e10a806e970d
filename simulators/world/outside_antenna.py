"""An antenna outside the box: what the lid and its seam let through.

With the lid open, an antenna beyond it is in line of sight. Everywhere else the field passes the
panel itself and the gap around the lid; the two add with their phases. The gap is taken as a
point source at the place of the seam nearest to the outside antenna (a slot that is short or
long against the wavelength alike: a workshop's model, no source).
"""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from simulators.physics.box import Box
from simulators.physics.wires import SPEED_OF_LIGHT_M_PER_S
from simulators.world.model import BoxModel

FloatArray = NDArray[np.float64]
ComplexArray = NDArray[np.complex128]
Point = tuple[float, float, float]

FREE_M = 100.0
"""Side of a box so wide that nothing comes back within the order of images considered."""


def is_outside(box: BoxModel, place_m: Point) -> bool:
    """Whether a place lies beyond a wall."""
    return any(not 0.0 <= x <= size for x, size in zip(place_m, box.size_m, strict=True))


def is_before_lid(box: BoxModel, place_m: Point) -> bool:
    """Whether a place lies on the lid's side; the lid is the wall at the far end of y."""
    return place_m[1] > box.size_m[1]


def free_space(box: Box) -> Box:
    """The same lining infinitely far away: only the direct ray is left."""
    walls = frozenset((axis, side) for axis in range(3) for side in range(2))
    return Box((FREE_M, FREE_M, FREE_M), box.lining, walls)


def shifted(place_m: Point) -> Point:
    """A place of the box inside `free_space`, with all relative places kept."""
    x, y, z = place_m
    return (x + FREE_M / 2, y + FREE_M / 2, z + FREE_M / 2)


@dataclass(frozen=True)
class Leak:
    """What reaches the outside, as a factor on the direct ray through free space."""

    box: BoxModel

    def factor(
        self, inside_m: Point, outside_m: Point, lid_open: bool, frequency_hz: FloatArray
    ) -> ComplexArray:
        """Amplitude factor over frequency, (n_freq,); 1 where the lid is open before it."""
        if lid_open and is_before_lid(self.box, outside_m):
            return np.ones(frequency_hz.shape, dtype=np.complex128)
        direct_m = float(np.linalg.norm(np.subtract(outside_m, inside_m)))
        gap = self._nearest_gap(outside_m)
        detour_m = float(np.linalg.norm(np.subtract(gap, inside_m))) + float(
            np.linalg.norm(np.subtract(outside_m, gap))
        )
        panel = 10 ** (-self.box.panel_shielding_db / 20)
        seam = 0.0 if lid_open else 10 ** (-self.box.seam_shielding_db / 20)
        turn = np.exp(-2j * np.pi * frequency_hz * (detour_m - direct_m) / SPEED_OF_LIGHT_M_PER_S)
        return np.asarray(panel + seam * direct_m / detour_m * turn)

    def _nearest_gap(self, outside_m: Point) -> Point:
        """The nearest point of the lid's edge."""
        x_size, y_size, z_size = self.box.size_m
        x, _, z = outside_m
        x, z = min(max(x, 0.0), x_size), min(max(z, 0.0), z_size)
        to_edge = {"x0": x, "x1": x_size - x, "z0": z, "z1": z_size - z}
        edge = min(to_edge, key=lambda name: to_edge[name])
        if edge[0] == "x":
            return (0.0 if edge == "x0" else x_size, y_size, z)
        return (x, y_size, 0.0 if edge == "z0" else z_size)
