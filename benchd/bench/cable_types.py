"""Loss and delay of common coaxial cables by type and length, to begin a bench file with.

Attenuation is that of the slash sheets of MIL-DTL-17 (once MIL-C-17), in dB/m at 20 degrees
Celsius, by the usual designations. All values are from memory, rounded and nominal: a cable that is
old, hot, bent or of another make loses more. Whoever needs the loss measures it.

Between and beyond the frequencies of the table the loss is k1 sqrt(f) + k2 f: the first term is
the skin effect, the second the dielectric (Pozar, Microwave Engineering, section 2.7; from memory).
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from functools import cached_property

import numpy as np

from benchd.reduce.decibels import SPEED_OF_LIGHT_M_PER_S

SOURCE = "MIL-DTL-17, from memory"
_PTFE, _POLYETHYLENE = 0.695, 0.66  # of the speed of light; common practice, no source


@dataclass(frozen=True)
class CableType:
    """One type.

    name: its designation. sheet: of MIL-DTL-17. loss_db_per_m: at frequencies in Hz, rising.
    velocity: of a wave in it, as part of the speed of light. flexible: False for semi-rigid.
    """

    name: str
    sheet: str
    loss_db_per_m: tuple[tuple[float, float], ...]
    velocity: float = _PTFE
    flexible: bool = True

    @property
    def highest_hz(self) -> float:
        """The highest frequency of the table; beyond it the loss is extrapolated."""
        return self.loss_db_per_m[-1][0]

    @cached_property
    def _factors(self) -> tuple[float, float]:
        """k1 and k2 in dB/m with f in GHz, by least squares of the relative error; neither is
        negative, since neither effect gains."""
        f_ghz, loss = np.array(self.loss_db_per_m).T * np.array([[1e-9], [1.0]])
        terms = np.column_stack([np.sqrt(f_ghz), f_ghz]) / loss[:, None]
        both = np.linalg.lstsq(terms, np.ones(len(loss)), rcond=None)[0]
        if both[1] < 0.0:
            return float(np.sum(terms[:, 0]) / np.sum(terms[:, 0] ** 2)), 0.0
        return float(both[0]), float(both[1])

    def loss_db(self, length_m: float, frequency_hz: float) -> float:
        """Loss of a piece without its connectors, dB."""
        k1, k2 = self._factors
        f_ghz = frequency_hz * 1e-9
        return length_m * (k1 * float(np.sqrt(f_ghz)) + k2 * f_ghz)

    def delay_s(self, length_m: float) -> float:
        """One-way delay of a piece, s."""
        return length_m / (self.velocity * SPEED_OF_LIGHT_M_PER_S)


def _type(
    name: str, sheet: str, *losses: float, at: Sequence[float] = (), **more: object
) -> CableType:
    table = tuple((f_ghz * 1e9, loss) for f_ghz, loss in zip(at, losses, strict=True))
    return CableType(name, sheet, table, **more)  # type: ignore[arg-type]


_LOW = (0.1, 0.4, 1.0)
_MIDDLE = (0.1, 0.4, 1.0, 3.0)
_HIGH = (0.5, 1.0, 5.0, 10.0, 20.0)

TYPES: tuple[CableType, ...] = (
    _type("RG-401", "130-RG401", 0.17, 0.25, 0.62, 0.95, 1.45, at=_HIGH, flexible=False),
    _type("RG-402", "130-RG402", 0.26, 0.38, 0.90, 1.35, 2.05, at=_HIGH, flexible=False),
    _type("RG-405", "133-RG405", 0.49, 0.70, 1.62, 2.40, 3.60, at=_HIGH, flexible=False),
    _type("RG-58", "28-RG58", 0.16, 0.37, 0.68, at=_LOW, velocity=_POLYETHYLENE),
    _type("RG-142", "60-RG142", 0.13, 0.28, 0.46, 0.87, at=_MIDDLE),
    _type("RG-174", "119-RG174", 0.28, 0.60, 1.05, at=_LOW, velocity=_POLYETHYLENE),
    _type("RG-213", "163-RG213", 0.07, 0.15, 0.28, at=_LOW, velocity=_POLYETHYLENE),
    _type("RG-223", "84-RG223", 0.155, 0.33, 0.54, 1.05, at=_MIDDLE, velocity=_POLYETHYLENE),
    _type("RG-316", "113-RG316", 0.28, 0.59, 0.95, 1.85, at=_MIDDLE),
    _type("RG-393", "127-RG393", 0.075, 0.16, 0.28, 0.56, at=_MIDDLE),
    _type("RG-400", "128-RG400", 0.15, 0.32, 0.53, 1.02, at=_MIDDLE),
)
"""Common types, semi-rigid first."""


def cable_type(words: str) -> CableType | None:
    """The type that somebody means by "RG-402", "rg402", "RG 58 C/U"; None for none of these."""
    plain = "".join(letter for letter in words.upper() if letter.isalnum())
    digits = "".join(letter for letter in plain.removeprefix("RG").removesuffix("U"))
    for one in TYPES:
        number = one.name.removeprefix("RG-")
        rest = digits.removeprefix(number)
        if plain.startswith("RG") and digits.startswith(number) and rest in ("", "A", "B", "C"):
            return one
    return None
