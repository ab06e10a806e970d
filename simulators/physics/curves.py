"""Slow, smooth curves drawn at random: the deviations of one individual part or instrument."""

import math
from dataclasses import dataclass
from functools import cached_property

import numpy as np
from numpy.typing import NDArray

FloatArray = NDArray[np.float64]


@dataclass(frozen=True)
class SlowCurve:
    """A sum of a few sinusoids over [start, stop]; never beyond +-``peak``."""

    start: float
    span: float
    amplitude: FloatArray
    turns: FloatArray
    phase_rad: FloatArray

    @classmethod
    def drawn(
        cls, rng: np.random.Generator, start: float, stop: float, peak: float, features: int
    ) -> "SlowCurve":
        """Draw a curve with about ``features`` humps between ``start`` and ``stop``."""
        terms = 4
        weight = rng.uniform(0.4, 1.0, terms)
        return cls(
            start=start,
            span=stop - start,
            amplitude=peak * weight / weight.sum(),
            turns=rng.uniform(0.2, 0.5, terms) * features,
            phase_rad=rng.uniform(0, 2 * np.pi, terms),
        )

    def __call__(self, x: FloatArray) -> FloatArray:
        """Value at ``x``, any shape."""
        place = (np.asarray(x, dtype=np.float64)[..., None] - self.start) / self.span
        angle = 2 * np.pi * self.turns * place + self.phase_rad
        return np.asarray(np.sin(angle) @ self.amplitude)

    def at(self, x: float) -> float:
        """Value at one place: the same sum, without what NumPy costs for an array of one."""
        place = 2 * math.pi * (x - self.start) / self.span
        return sum(
            amplitude * math.sin(turns * place + phase_rad)
            for amplitude, turns, phase_rad in self._terms
        )

    @cached_property
    def _terms(self) -> tuple[tuple[float, float, float], ...]:
        columns = (self.amplitude.tolist(), self.turns.tolist(), self.phase_rad.tolist())
        return tuple(zip(*columns, strict=True))
