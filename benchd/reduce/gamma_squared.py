"""A normalised trace as gamma^2 with its noise, ready for fits, and how much to average it.

A power detector adds noise to gamma^2, so noise is subtracted and averaged in gamma^2.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from benchd.reduce.budget_inputs import ReflectionKnowledge
from benchd.reduce.decibels import NEPER_DB
from benchd.reduce.noise import carrier_level_dbm, reading_standards_db
from benchd.reduce.resonance_curve import y_of
from benchd.reduce.uneven import even_size, is_even, roughness_db, smoothed
from benchd.sweeps import POWER
from benchd.traces import FloatArray


@dataclass(frozen=True, eq=False)
class Prepared:
    """A normalised trace ready for fitting, all shape (n,).

    gamma_squared: noise bias removed. sd: standard deviation of each point of gamma_squared.
    """

    frequency_hz: FloatArray
    gamma_squared: FloatArray
    sd: FloatArray

    def part(self, keep: slice) -> Prepared:
        """Some neighbouring points of it."""
        return Prepared(self.frequency_hz[keep], self.gamma_squared[keep], self.sd[keep])

    def thinned(self, most: int) -> Prepared:
        """At most so many points, each the mean of its neighbours: a curve that is smooth over
        many points loses nothing by it, and fits get faster."""
        group = math.ceil(self.frequency_hz.size / most)
        if group == 1:
            return self
        whole = self.frequency_hz.size // group * group
        # What is left over at the end goes on both sides, so that the middle stays the middle.
        first = (self.frequency_hz.size - whole) // 2
        f, squared, sd = (
            values[first : first + whole].reshape(-1, group)
            for values in (self.frequency_hz, self.gamma_squared, self.sd)
        )
        deviation = np.sqrt(np.mean(sd**2, axis=1) / group)
        return Prepared(f.mean(axis=1), squared.mean(axis=1), deviation)


def prepare(
    frequency_hz: FloatArray, ratio_db: FloatArray, knowledge: ReflectionKnowledge
) -> Prepared:
    """gamma^2 and its noise from a normalised trace in dB, both shape (n,)."""
    squared = 10.0 ** (ratio_db / 10.0)
    item = knowledge.noise_sd_db
    sd_db = np.full(
        squared.shape, roughness_db(ratio_db, frequency_hz) if item is None else item.value
    )
    if knowledge.dynamic_range_db is not None:
        noise_db = -dynamic_range_over(frequency_hz, knowledge, knowledge.dynamic_range_db.value)
        if knowledge.detector == "rms":
            squared = squared - 10.0 ** (noise_db / 10.0)
        elif knowledge.detector != POWER:
            levels = [
                carrier_level_dbm(float(v), float(noise), knowledge.detector)
                for v, noise in zip(ratio_db, noise_db, strict=True)
            ]
            squared = 10.0 ** (np.array(levels) / 10.0)
        floor = np.maximum(squared, 10.0 ** (noise_db / 10.0) / 10.0)
        from_noise = reading_standards_db(
            10.0 * np.log10(floor) - noise_db, knowledge.detector, knowledge.independent_samples
        )
        sd_db = np.maximum(sd_db, from_noise)
        return Prepared(frequency_hz, squared, 2.0 * floor * sd_db / NEPER_DB)
    return Prepared(frequency_hz, squared, 2.0 * squared * sd_db / NEPER_DB)


def dynamic_range_over(
    frequency_hz: FloatArray, knowledge: ReflectionKnowledge, everywhere_db: float
) -> FloatArray:
    """Baseline over noise at each frequency, dB, shape (n,); everywhere_db where it is not known
    along the sweep."""
    along = knowledge.dynamic_range_along
    if along is None:
        return np.full(frequency_hz.shape, everywhere_db)
    return np.asarray(np.interp(frequency_hz, *along), dtype=np.float64)


def smooth(values: FloatArray, points: int, frequency_hz: FloatArray | None = None) -> FloatArray:
    """Running mean of shape (n,) over an odd number of points, ends held.

    frequency_hz: where they lie, if that may be unevenly. The mean then goes over as many Hz as so
        many of the smallest steps (`benchd.reduce.uneven`).
    """
    if points > 1 and frequency_hz is not None and not is_even(frequency_hz):
        return smoothed(frequency_hz, values, points, 1)[0]
    padded = np.pad(values, points // 2, mode="edge")
    mean: FloatArray = np.convolve(padded, np.full(points, 1.0 / points), mode="valid")
    return mean


def bent_weights(points: int) -> FloatArray:
    """Weights, shape (points,), whose sum over neighbours is the value of a fitted parabola.

    points: odd, at least 5. A running mean cuts off where a curve bends; this does not (A. Savitzky
    and M. J. E. Golay, 1964, from memory; the closed form by least squares over -m to m).
    """
    m = points // 2
    away = np.arange(-m, m + 1)
    weights = (
        3.0
        * (3.0 * m**2 + 3.0 * m - 1.0 - 5.0 * away**2)
        / ((2.0 * m - 1.0) * (2.0 * m + 1.0) * (2.0 * m + 3.0))
    )
    return np.asarray(weights, dtype=np.float64)


def smooth_bent(values: FloatArray, weights: FloatArray) -> FloatArray:
    """Values of shape (n,) with their neighbours weighted, ends held. The variance of a single
    value falls to the sum of the squared weights."""
    padded = np.pad(values, weights.size // 2, mode="edge")
    found: FloatArray = np.convolve(padded, weights, mode="valid")
    return found


def points_to_smooth(spread: float, wanted: float, size: int) -> int:
    """How many neighbours to average so that noise of that spread falls to what is wanted.

    Odd; at least about one per cent of the trace, at most a twelfth of it, so that a resonance
    keeps its shape.
    """
    least, most = 2 * (size // 200) + 1, 2 * (size // 24) + 1
    needed = 2 * math.ceil(((spread / wanted) ** 2 - 1.0) / 2.0) + 1 if spread > wanted else 1
    return min(max(least, needed), max(least, most))


def smoothing_of(data: Prepared, wanted_rise: float) -> int:
    """Points to average so that noise alone does not open or close a window of that rise of
    y = 1/(1 - gamma^2) where the trace is deep."""
    deep = data.gamma_squared <= np.quantile(data.gamma_squared, 0.3)
    y = y_of(data.gamma_squared[deep])
    # Propagated to y: dy = y^2 d(gamma^2).
    spread = float(np.median(y**2 * data.sd[deep]))
    return points_to_smooth(spread, wanted_rise, even_size(data.frequency_hz))
