"""A quantity over frequency, given at a few frequencies: cable loss, coupling, antenna gain."""

from __future__ import annotations

import numpy as np
from pydantic import BaseModel, ConfigDict

from benchd.traces import FloatArray


class Table(BaseModel):
    """Values at frequencies; without frequencies, one value that holds everywhere.

    Between its frequencies a table is linear in lg f: such tables are written by octaves, and
    a loss that grows with the square root of f is met within 5 % of the step between two octaves.
    Outside them the end value holds; `covers` tells, so that the caller can say so.
    Values are in the unit of the field that holds the table (dB or dBi).
    """

    model_config = ConfigDict(frozen=True)

    frequency_hz: tuple[float, ...]
    values: tuple[float, ...]

    def at(self, frequency_hz: float) -> float:
        """The value at one frequency, Hz."""
        return float(self.over(np.array([frequency_hz]))[0])

    def over(self, frequency_hz: FloatArray) -> FloatArray:
        """The values at frequencies of shape (n,), Hz; shape (n,)."""
        if not self.frequency_hz:
            return np.full(np.shape(frequency_hz), self.values[0], dtype=np.float64)
        grid = np.log10(np.array(self.frequency_hz))
        return np.asarray(
            np.interp(np.log10(frequency_hz), grid, np.array(self.values)), dtype=np.float64
        )

    def least(self, low_hz: float, high_hz: float) -> float:
        """The smallest value between two frequencies, both included."""
        return min(self._values_within(low_hz, high_hz))

    def most(self, low_hz: float, high_hz: float) -> float:
        """The largest value between two frequencies, both included."""
        return max(self._values_within(low_hz, high_hz))

    def covers(self, low_hz: float, high_hz: float) -> bool:
        """True where the table says something about the whole band."""
        if not self.frequency_hz:
            return True
        return self.frequency_hz[0] <= low_hz and high_hz <= self.frequency_hz[-1]

    def _values_within(self, low_hz: float, high_hz: float) -> list[float]:
        # Piecewise linear: extremes lie at the ends of the band or at a node inside it.
        inside = [
            value
            for frequency, value in zip(self.frequency_hz, self.values, strict=False)
            if low_hz < frequency < high_hz
        ]
        return [self.at(low_hz), self.at(high_hz), *inside]
