"""Mean, smallest and largest value of a curve over a band, with the errors' law over frequency.

The largest of many readings is on average too large, and the smallest too small, since the extreme
is found where the errors are extreme too. How much too large is found by simulation. Errors are
drawn at random and added to the smoothed curve, and the extreme of each sum is found. The
differences between these extremes and that of the curve show the error of the measured extreme.
Their mean is subtracted as a bias, and their distribution, mirrored, gives the interval (basic
bootstrap: A. C. Davison and D. V. Hinkley, Bootstrap Methods and their Application, section 5.2,
from memory).

Each error has the size of its line in the budget, and one of four laws over frequency. Noise is
independent at every frequency. A mismatch error varies with the delay of the cables. The walls'
ripple varies with the extra length of the reflected paths. All others are the same at all
frequencies. Fast changes are smoothed away first, as far as the readings show that the true curve
does not change that fast: it is taken as smooth over the most likely of several lengths (a Gaussian
process; C. E. Rasmussen and C. K. I. Williams, Gaussian Processes for Machine Learning, equations
2.23, 4.17 and 5.8, from memory).
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Literal

import numpy as np

from benchd.reduce.decibels import SPEED_OF_LIGHT_M_PER_S
from benchd.reduce.montecarlo import SEED, interval, linear_draws
from benchd.reduce.shared_draws import SharedDraws
from benchd.reduce.uncertainty import (
    effective_degrees_of_freedom,
    groups,
    signed_contribution,
)
from benchd.results import Term
from benchd.traces import FloatArray

TRIALS = 4000
MOST_POINTS = 201
"""If there are more readings, groups of them are averaged first: this many show any ripple."""
AGREEING = 0.9
"""Share of the draws whose extreme must lie near that of the curve for its place to be told."""
NEAR = 0.1
"""How near that is, as a share of the band's width."""
FINE_POINTS = 61
"""Number of frequencies, besides those of the readings, at which curves are searched for
extremes."""
LEAST_NOISE_DB = 3e-3
"""Least noise assumed of readings, dB, since levels are given in hundredths of a decibel."""
LENGTHS = (1.4, 0.7, 0.35, 0.18)
"""Lengths over which the true curve may change, as multiples of the bandwidth."""
SIZES_DB = (2.0, 6.0)
"""Sizes of the true curve's change over such a length, dB. With smaller ones a bent curve is taken
for a flat one: the smallest gain of a band then came out twice as much too high (200 bands of
simulated ranges)."""
VAGUE_DB = 30.0
"""Standard deviation, dB, that is assumed of the true curve's level and slope: so large that it
amounts to knowing nothing of them before."""
DELAYS = 9

Law = Literal["same", "box", "mismatch", "noise"]


@dataclass(frozen=True, slots=True)
class Coherence:
    """How fast errors change over frequency.

    excess_m: root mean square of how much longer the paths over the walls are than the direct one.
    turn_s: shortest and longest delay of a wave that is reflected to and fro in the cables. The
        shortest is zero, since a joint may be at the antenna. Cables of up to 2 m are usual (common
        practice, no source).
    """

    excess_m: float = 0.5
    turn_s: tuple[float, float] = (0.0, 20e-9)


def law_of(line: Term) -> Law:
    """The law over frequency of an error in a gain's budget, by the name of its line."""
    if line.name.startswith("noise"):
        return "noise"
    if line.name.startswith("mismatch"):
        return "mismatch"
    return "box" if line.name.startswith("box") else "same"


def kernel(law: Law, frequency_hz: FloatArray, other_hz: FloatArray, how: Coherence) -> FloatArray:
    """Correlation of an error at two frequencies, shape (n, m)."""
    apart = frequency_hz[:, np.newaxis] - other_hz
    found: FloatArray
    if law == "noise":
        found = (apart == 0.0).astype(float)
    elif law == "mismatch":
        late = np.linspace(*how.turn_s, DELAYS)
        found = np.cos(2.0 * np.pi * apart[..., np.newaxis] * late).mean(axis=-1)
    elif law == "box":
        found = np.exp(-0.5 * (2.0 * np.pi * apart * how.excess_m / SPEED_OF_LIGHT_M_PER_S) ** 2)
    else:
        found = np.ones(apart.shape)
    return found


@dataclass(frozen=True, slots=True)
class Extreme:
    """value_db: the extreme, with its bias removed. near_hz: where the smoothed curve has it.
    is_placed: whether the errors leave no other place for it (`place_is_known`).
    standard_db: standard deviation of its error. low_db, high_db: ends of the 95 % interval.
    """

    value_db: float
    near_hz: float
    is_placed: bool
    standard_db: float
    low_db: float
    high_db: float


def place_is_known(drawn_hz: FloatArray, place_hz: float, width_hz: float) -> bool:
    """Whether an extreme of a band lies where it was read: so it does in nearly all draws of the
    errors. If a curve is level, or ends alike on both sides, errors decide where its extreme is.

    drawn_hz: where each draw has the extreme. width_hz: of the band.
    """
    return float(np.mean(np.abs(drawn_hz - place_hz) <= NEAR * width_hz)) >= AGREEING


@dataclass(frozen=True, eq=False)
class Band:
    """Readings of one quantity over a band.

    frequency_hz, values_db: shape (n,), rising. lines: the budgets' terms, one row for each
    frequency, the same lines in each row.
    """

    frequency_hz: FloatArray
    values_db: FloatArray
    lines: Sequence[Sequence[Term]]
    how: Coherence = Coherence()

    def mean_contribution(self, index: int) -> float:
        """What one line contributes to the mean over the band."""
        sizes = np.array([row[index].contribution for row in self.lines])
        law = law_of(self.lines[0][index])
        if law == "noise":
            return float(np.sqrt(np.mean(sizes**2) / sizes.size))
        grid, sizes = _grouped(self.frequency_hz, sizes)
        together = float(sizes @ kernel(law, grid, grid, self.how) @ sizes)
        return math.sqrt(max(0.0, together)) / sizes.size

    def extremes(self, *, trials: int = TRIALS, seed: int = SEED) -> tuple[Extreme, Extreme]:
        """The smallest and the largest value, from the same draws."""
        rng = SharedDraws(seed)
        grid, values = _grouped(self.frequency_hz, self.values_db)
        fine, smooth, level = self._smoother(grid, values)
        # Extremes are searched in the smoothed curve, and the drawn errors are smoothed alike.
        curve = level + smooth @ (values - level)
        on_grid = np.interp(grid, fine, curve)
        freedom = effective_degrees_of_freedom(
            [line for line in self.lines[0] if law_of(line) != "same"]
        )
        errors = self._drawn(grid, rng, trials) * _stretch(freedom, rng, trials)
        again = level + (on_grid + errors - level) @ smooth.T
        # Smoothing the smooth curve once more changes it a little. That change is no error of the
        # measurement, so it is left out.
        again += curve - (level + smooth @ (on_grid - level))
        found = []
        width_hz = float(fine[-1] - fine[0])
        for where in (np.argmin, np.argmax):
            place = int(where(curve))
            drawn_at = where(again, axis=1)
            ends_db = again[np.arange(trials), drawn_at]
            nearest = int(np.argmin(np.abs(self.frequency_hz - fine[place])))
            common = [line for line in self.lines[nearest] if law_of(line) == "same"]
            off = ends_db - curve[place] + linear_draws(common, rng, trials)
            low, high = interval(off)
            # The correction stops at the curve's middle, so that the smallest value does not exceed
            # the largest.
            middle = float(curve.mean())
            best = float(curve[place] - off.mean())
            best = min(best, middle) if where is np.argmin else max(best, middle)
            found.append(
                Extreme(
                    best,
                    float(fine[place]),
                    place_is_known(fine[drawn_at], float(fine[place]), width_hz),
                    float(off.std()),
                    float(curve[place] - high),
                    float(curve[place] - low),
                )
            )
        return found[0], found[1]

    def _smoother(
        self, grid: FloatArray, values: FloatArray
    ) -> tuple[FloatArray, FloatArray, float]:
        """Frequencies (m), the matrix that smooths readings less a level (m, n), and that level.

        The walls' ripple is not smoothed away: it is as wide as the features of many a true curve.
        """
        fast = self._covariance(grid, ("noise", "mismatch"))
        fast += np.eye(grid.size) * LEAST_NOISE_DB**2
        width = float(grid[-1] - grid[0]) or 1.0
        level = float(values.mean())
        fine = np.unique(np.concatenate([grid, np.linspace(grid[0], grid[-1], FINE_POINTS)]))
        _, length, size = max(
            (_likelihood(values - level, _truth(grid, grid, width, a, b) + fast), a, b)
            for a in LENGTHS
            for b in SIZES_DB
        )
        across = _truth(fine, grid, width, length, size)
        together = _truth(grid, grid, width, length, size) + fast
        smooth = np.asarray(np.linalg.solve(together, across.T).T, dtype=np.float64)
        return fine, smooth, level

    def _drawn(self, grid: FloatArray, rng: np.random.Generator, trials: int) -> FloatArray:
        """Draws of all errors that change over frequency, shape (trials, n)."""
        root = _root(self._covariance(grid, ("noise", "mismatch", "box")))
        return np.asarray(rng.standard_normal((trials, grid.size)) @ root.T, dtype=np.float64)

    def _errors(self) -> list[list[int]]:
        """Indices of the lines of each error; lines of one source belong to one error."""
        places = {id(line): index for index, line in enumerate(self.lines[0])}
        return [[places[id(line)] for line in lines] for lines in groups(self.lines[0])]

    def _covariance(self, grid: FloatArray, laws: Sequence[Law]) -> FloatArray:
        """Covariance of the errors of some laws, shape (n, n)."""
        total = np.zeros((grid.size, grid.size))
        kernels = {law: kernel(law, grid, grid, self.how) for law in laws}
        for members in self._errors():
            law = law_of(self.lines[0][members[0]])
            if law not in kernels:
                continue
            # If one error enters through several lines, their signed contributions are added.
            signed = [sum(signed_contribution(row[one]) for one in members) for row in self.lines]
            _, sizes = _grouped(self.frequency_hz, np.array(signed))
            if law == "noise":
                sizes = sizes / math.sqrt(self.frequency_hz.size / grid.size)
            total = total + np.outer(sizes, sizes) * kernels[law]
        return total


def _stretch(freedom: float, rng: np.random.Generator, trials: int) -> FloatArray:
    """Factors that turn normal draws into draws of Student's t, shape (trials, 1) (JCGM 101,
    6.4.9.4)."""
    if not math.isfinite(freedom):
        return np.ones((trials, 1))
    return np.asarray(np.sqrt(freedom / rng.chisquare(freedom, trials)))[:, np.newaxis]


def _truth(
    frequency_hz: FloatArray, other_hz: FloatArray, width_hz: float, length: float, size_db: float
) -> FloatArray:
    """Covariance of the true curve, which may have any level and slope and may bend.

    It is Matern's with 5/2 (Rasmussen and Williams, 4.17). The smoother squared exponential assumes
    that all parts of a band bend alike. With it the edge of a Yagi's band, which falls ever faster,
    was wrong by 0.7 dB, although the readings themselves were wrong by 0.55 dB only. With this one
    it is wrong by 0.5 dB (root mean squares, 200 bands of simulated ranges).
    """
    apart = np.abs(frequency_hz[:, np.newaxis] - other_hz) / (length * width_hz)
    middle = other_hz.mean()
    slopes = np.outer((frequency_hz - middle) / width_hz, (other_hz - middle) / width_hz)
    far = math.sqrt(5.0) * apart
    near = (1.0 + far + far**2 / 3.0) * np.exp(-far)
    found: FloatArray = size_db**2 * near + VAGUE_DB**2 * (1.0 + slopes)
    return found


def _likelihood(values: FloatArray, covariance: FloatArray) -> float:
    """Logarithm of the likelihood of the readings (Rasmussen and Williams, 5.8), less constants."""
    root = np.linalg.cholesky(covariance)
    turned = np.linalg.solve(root, values)
    return float(-0.5 * turned @ turned - np.log(np.diag(root)).sum())


def _root(covariance: FloatArray) -> FloatArray:
    """A square root of a covariance that may be singular."""
    sizes, directions = np.linalg.eigh((covariance + covariance.T) / 2.0)
    found: FloatArray = directions * np.sqrt(np.maximum(sizes, 0.0))
    return found


def _grouped(frequency_hz: FloatArray, values: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Means over groups of neighbours, so that no more than MOST_POINTS are left."""
    if frequency_hz.size <= MOST_POINTS:
        return frequency_hz, values
    parts = np.array_split(np.arange(frequency_hz.size), MOST_POINTS)
    means = [(frequency_hz[part].mean(), values[part].mean()) for part in parts]
    grid, found = np.array(means).T
    return grid, found
