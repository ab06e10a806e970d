"""A box of six walls, each a mirror that reflects weakly, and two antennas in it.

Every wall mirrors the sending antenna once, and every pair of walls twice: the field at the other
antenna is the sum over these images (method of images, C. A. Balanis, Antenna Theory, section 4.7,
from memory). The walls' own reflections are drawn, not computed from a lining.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property
from typing import Any

import numpy as np

from tests.gain_study.wires import LIGHT_M_PER_S, WireAntenna

LINING_HZ = 1.7e9
AHEAD = np.array([1.0, 0.0, 0.0])


@dataclass(frozen=True, eq=False)
class Room:
    """size_m: shape (3,). reflection: of the six walls x=0, x=X, y=0, ..., complex, at 1.7 GHz.

    lining_m: how deep the reflection seems to sit; slope: by which power of 1/f it falls.
    upright: True where the wires stand, False where they lie (along y).
    """

    size_m: Any
    reflection: Any
    lining_m: Any
    slope: float
    upright: bool

    @cached_property
    def _walls(self) -> dict[tuple[int, bytes], Any]:
        """What was worked out already."""
        return {}

    def _wall(self, number: int, frequency_hz: Any) -> Any:
        key = (number, frequency_hz.tobytes())
        if key not in self._walls:
            self._walls[key] = self._worked_out(number, frequency_hz)
        return self._walls[key]

    def _worked_out(self, number: int, frequency_hz: Any) -> Any:
        k = 2.0 * np.pi * frequency_hz / LIGHT_M_PER_S
        size = self.reflection[number] * (LINING_HZ / frequency_hz) ** self.slope
        return size * np.exp(-2j * k * self.lining_m[number])

    def _own(self, direction: Any, facing: Any) -> Any:
        """A direction of the room in the axes of an antenna that looks along `facing`, level."""
        ahead = np.array([facing[0], facing[1], 0.0]) / np.hypot(facing[0], facing[1])
        aside = np.array([-ahead[1], ahead[0], 0.0])
        along, across, up = direction @ ahead, direction @ aside, direction[2]
        return np.array([along, across, up] if self.upright else [along, -up, across])

    def _polarised(self, direction: Any) -> Any:
        """Unit vector of the field that a wire sends in a direction; nothing along the wire."""
        wire = np.array([0.0, 0.0, 1.0]) if self.upright else np.array([0.0, 1.0, 0.0])
        across = wire - (wire @ direction) * direction
        length = float(np.linalg.norm(across))
        return across / length if length > 1e-9 else np.zeros(3)

    def _images(self, here: Any) -> list[tuple[Any, tuple[int, ...]]]:
        """Places of the images of a source, each with the walls it was mirrored at."""
        found: list[tuple[Any, tuple[int, ...]]] = [(here, ())]
        once = [(self._mirror(here, wall), (wall,)) for wall in range(6)]
        found += once
        for place, (first,) in once:
            for second in range(6):
                # Of two walls at right angles both orders give one image: taken once.
                if second == first or (second // 2 != first // 2 and second < first):
                    continue
                found.append((self._mirror(place, second), (first, second)))
        return found

    def _mirror(self, place: Any, wall: int) -> Any:
        axis, far = divmod(wall, 2)
        turned = np.array(place, dtype=float)
        turned[axis] = 2.0 * (self.size_m[axis] if far else 0.0) - turned[axis]
        return turned

    def transmission(
        self,
        near: WireAntenna,
        near_m: Any,
        far: WireAntenna,
        far_m: Any,
        frequency_hz: Any,
        *,
        walls: bool = True,
    ) -> Any:
        """S21 between the connectors of two antennas, (n).

        The near one looks along x, the far one at the near one.
        """
        total = np.zeros(frequency_hz.shape, dtype=complex)
        here, there = np.asarray(near_m, dtype=float), np.asarray(far_m, dtype=float)
        for place, met in self._images(here):
            if met and not walls:
                continue
            total += self._ray(near, far, place, there, here - there, met, frequency_hz)
        return total

    def _ray(
        self,
        near: WireAntenna,
        far: WireAntenna,
        image_m: Any,
        far_m: Any,
        back: Any,
        met: tuple[int, ...],
        frequency_hz: Any,
    ) -> Any:
        way = far_m - image_m
        distance = float(np.linalg.norm(way))
        arriving = way / distance
        leaving = arriving.copy()
        for wall in met:
            leaving[wall // 2] *= -1.0
        sent = self._polarised(leaving)
        from_near, from_far = self._own(leaving, AHEAD), self._own(-arriving, back)
        size = near.field(frequency_hz, from_near) * far.field(frequency_hz, from_far)
        # Both radiate from a point ahead of their marks: the way is that much shorter.
        distance -= near.ahead_m * from_near[0] + far.ahead_m * from_far[0]
        for wall in met:
            # As a metal mirror turns the field: along the wall against itself.
            normal = np.zeros(3)
            normal[wall // 2] = 1.0
            sent = 2.0 * (sent @ normal) * normal - sent
            size = size * self._wall(wall, frequency_hz)
        taken = float(sent @ self._polarised(-arriving))
        wavelength = LIGHT_M_PER_S / frequency_hz
        turn = np.exp(-2j * np.pi * distance / wavelength)
        return taken * size * wavelength / (4.0 * np.pi * distance) * turn


def line(length_m: float, frequency_hz: Any, loss_db: float) -> Any:
    """Transmission of a matched cable, 0.7 of the speed of light, complex (n)."""
    turn = np.exp(-2j * np.pi * frequency_hz * length_m / (0.7 * LIGHT_M_PER_S))
    return 10.0 ** (-loss_db / 20.0) * turn


def joined(gamma_source: Any, s11: Any, s21: Any, s22: Any, gamma_load: Any) -> Any:
    """Wave into a load behind a two-port, for a matched unit source wave (n).

    By the signal-flow graph of a two-port (D. M. Pozar, Microwave Engineering, section 4.5, from
    memory): s21/((1 - Gs s11)(1 - Gl s22) - Gs Gl s12 s21) with s12 = s21.
    """
    both = (1.0 - gamma_source * s11) * (1.0 - gamma_load * s22)
    return s21 / (both - gamma_source * gamma_load * s21**2)
