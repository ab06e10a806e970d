"""Antennas of wire solved by NEC2 (necpp): match, and gain in every direction.

All wires of an antenna lie parallel, along its z; it looks along its x. Nothing of this comes from
the simulators of this project, so that a study on it checks what was not tuned on them.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property
from typing import Any

import necpp
import numpy as np

SEGMENTS = 15
TURN_DEG, TILT_DEG = 10, 5
SOLVED_AT = 7
"""Frequencies at which NEC2 solves an antenna; between them its numbers are interpolated."""
LIGHT_M_PER_S = 299_792_458.0


@dataclass(frozen=True)
class WireAntenna:
    """Parallel wires: (place along x, length, radius) in m, the first one fed, in 50 ohm.

    loss_db: between its connector and its wires. ahead_m: how far ahead of its mark it radiates.
    band_hz: where it is solved.
    """

    wires: tuple[tuple[float, float, float], ...]
    band_hz: tuple[float, float]
    loss_db: float = 0.0
    ahead_m: float = 0.0
    line_ohm: float | None = None
    line_m: float = 0.0

    @property
    def size_m(self) -> float:
        """Largest dimension."""
        depth = max(x for x, _, _ in self.wires) - min(x for x, _, _ in self.wires)
        return float(np.hypot(depth, max(length for _, length, _ in self.wires)))

    @cached_property
    def solved(self) -> tuple[Any, Any, Any]:
        """Frequencies (n), impedance in ohm (n), gain in dBi (n, tilts, turns)."""
        at_hz = np.linspace(*self.band_hz, SOLVED_AT)
        found = [self._solve(float(one)) for one in at_hz]
        return at_hz, np.array([z for z, _ in found]), np.array([g for _, g in found])

    def _solve(self, frequency_hz: float) -> tuple[complex, Any]:
        tilts, turns = 180 // TILT_DEG + 1, 360 // TURN_DEG + 1
        context = necpp.nec_create()
        try:
            for number, (x, length, radius) in enumerate(self.wires, start=1):
                ends = (x, 0.0, -length / 2.0, x, 0.0, length / 2.0)
                assert necpp.nec_wire(context, number, SEGMENTS, *ends, radius, 1, 1) == 0
            necpp.nec_geometry_complete(context, 0)
            necpp.nec_fr_card(context, 0, 1, frequency_hz / 1e6, 0)
            necpp.nec_ex_card(context, 0, 1, SEGMENTS // 2 + 1, 0, 1, 0, 0, 0, 0, 0)
            necpp.nec_rp_card(context, 0, tilts, turns, 0, 5, 0, 0, 0, 0, TILT_DEG, TURN_DEG, 0, 0)
            gains = [
                [necpp.nec_gain(context, 0, tilt, turn) for turn in range(turns)]
                for tilt in range(tilts)
            ]
            impedance = complex(
                necpp.nec_impedance_real(context, 0), necpp.nec_impedance_imag(context, 0)
            )
            return impedance, np.maximum(np.array(gains), -60.0)
        finally:
            necpp.nec_delete(context)

    def gamma(self, frequency_hz: Any) -> Any:
        """Reflection at its connector, 50 ohm, complex (n)."""
        at_hz, impedance, _ = self.solved
        z = np.interp(frequency_hz, at_hz, impedance.real) + 1j * np.interp(
            frequency_hz, at_hz, impedance.imag
        )
        if self.line_ohm is not None:
            turn = np.tan(2.0 * np.pi * frequency_hz * self.line_m / LIGHT_M_PER_S)
            z = self.line_ohm * (z + 1j * self.line_ohm * turn) / (self.line_ohm + 1j * z * turn)
        lost = 10.0 ** (-self.loss_db / 10.0)
        return lost * (z - 50.0) / (z + 50.0)

    def field(self, frequency_hz: Any, direction: Any) -> Any:
        """Root of the realised gain towards a unit vector (its own axes), (n)."""
        everywhere = self._field_over(frequency_hz)
        tilt = np.degrees(np.arccos(np.clip(direction[2], -1.0, 1.0))) / TILT_DEG
        turn = (np.degrees(np.arctan2(direction[1], direction[0])) % 360.0) / TURN_DEG
        low, left = min(int(tilt), 180 // TILT_DEG - 1), min(int(turn), 360 // TURN_DEG - 1)
        down, right = tilt - low, turn - left
        rows = everywhere[low] * (1.0 - down) + everywhere[low + 1] * down
        return rows[left] * (1.0 - right) + rows[left + 1] * right

    @cached_property
    def _fields(self) -> dict[bytes, Any]:
        """What was worked out already, by its frequencies: a place asks for the same ones often."""
        return {}

    def _field_over(self, frequency_hz: Any) -> Any:
        """The same towards every tilt and turn that was solved, (tilts, turns, n)."""
        asked = np.asarray(frequency_hz, dtype=float)
        if asked.tobytes() not in self._fields:
            at_hz, _, gains = self.solved
            amplitude = 10.0 ** (gains / 20.0)
            right = np.clip(np.searchsorted(at_hz, asked), 1, at_hz.size - 1)
            share = (asked - at_hz[right - 1]) / (at_hz[right] - at_hz[right - 1])
            share = np.clip(share, 0.0, 1.0)[:, None, None]
            here = amplitude[right - 1] * (1.0 - share) + amplitude[right] * share
            taken_in = 1.0 - np.abs(self.gamma(asked)) ** 2
            taken_in = taken_in * 10.0 ** (-self.loss_db / 10.0)
            found = np.moveaxis(here * np.sqrt(taken_in)[:, None, None], 0, -1)
            self._fields[asked.tobytes()] = found
        return self._fields[asked.tobytes()]

    def realised_gain_dbi(self, frequency_hz: Any) -> Any:
        """Straight ahead, in free space, mismatch and losses included."""
        return 20.0 * np.log10(np.abs(self.field(frequency_hz, np.array([1.0, 0.0, 0.0]))))

    def gain_dbi(self, frequency_hz: Any) -> Any:
        """The same without the mismatch."""
        return self.realised_gain_dbi(frequency_hz) - 10.0 * np.log10(
            1.0 - np.abs(self.gamma(frequency_hz)) ** 2
        )
