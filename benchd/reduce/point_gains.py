"""How sure resonance and band edges are by the readings so far, and what one more would do.

An aim is a number that is wanted. Its half-width (95 %) is what noise and the spacing of the
readings leave open. The coupler's leak and the baseline come on top in the result; no number of
readings takes those away, so they do not count here.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from benchd.reduce.decibels import NEPER_DB, gamma_from_return_loss
from benchd.reduce.resonance_curve import y_of
from benchd.traces import BoolArray, FloatArray

WINDOW_RISE = 1.08
"""The bottom of a dip, in which its resonance is fitted: up to so many times the least
1/(1 - gamma^2), as `benchd.reduce.resonance` takes it."""

INNER_RISE = 1.03
"""The same for the narrower window, which tells how far the curve is from a parabola
(`benchd.reduce.resonance_interval`)."""

ENOUGH, ENOUGH_INSIDE = 12, 8
"""Readings that a fit should have in all, and in the narrower window: one more than that needs, as
the fitted bottom lies a little higher than the lowest reading."""

LEAST_RISE = 0.02
"""Rise of 1/(1 - gamma^2), relative, beyond which two minima are two dips."""

SIGMAS = 4.0
MOST_DIPS = 4
TWO_SIGMA = 2.0
"""Half-width of a 95 % interval over its standard deviation, rounded up."""

LEAST_DEPTH_DB = 6.0
"""A minimum of less return loss is no dip to spend readings on."""


@dataclass(frozen=True)
class Aims:
    """What is wanted of a sweep.

    edge_levels_db: return losses at whose crossings the edges of the band lie.
    near_hz: the wanted dip is the one nearest to it; None wants the deepest.
    """

    edge_levels_db: tuple[float, ...] = ()
    near_hz: float | None = None


@dataclass(frozen=True, eq=False)
class Seen:
    """The readings so far, by rising frequency.

    grid_hz, taken: shape (n,), the whole grid and what of it was read. at: shape (m,), indices on
    the grid. f, squared, sd: shape (m,), Hz, gamma^2, and the standard deviation of gamma^2.
    """

    grid_hz: FloatArray
    taken: BoolArray
    at: NDArray[np.intp]
    f: FloatArray
    squared: FloatArray
    sd: FloatArray

    @classmethod
    def of(
        cls, grid_hz: FloatArray, taken: BoolArray, ratio_db: FloatArray, sd_db: FloatArray
    ) -> Seen:
        """From levels over the baseline and their noise in dB, shape (n,)."""
        at = np.flatnonzero(taken)
        squared = 10.0 ** (ratio_db[at] / 10.0)
        sd = 2.0 * squared * sd_db[at] / NEPER_DB
        return cls(grid_hz, taken, at, grid_hz[at], squared, sd)


@dataclass(frozen=True)
class Aim:
    """One wanted number.

    half_width_hz: how sure it is by now. gains: indices that are to be read anyway -> by how much
    each frequency of the grid lessens the square of the half-width, shape (n,), Hz^2.
    """

    what: Literal["resonance", "edge"]
    half_width_hz: float
    gains: Callable[[list[int]], FloatArray]


def aims_of(seen: Seen, aims: Aims) -> list[Aim]:
    """The aims for the dips that the readings show; none where they show no dip."""
    lows = dips(seen)
    if not lows:
        return []
    if aims.near_hz is not None:
        near_hz = aims.near_hz
        lows.sort(key=lambda low: abs(math.log(float(seen.f[low]) / near_hz)))
    found = [_resonance(seen, low) for low in lows]
    for level_db in aims.edge_levels_db:
        for way in (-1, 1):
            edge = _edge(seen, lows[0], level_db, way)
            if edge is not None:
                found.append(edge)
    return found


def dips(seen: Seen) -> list[int]:
    """Indices among the readings of the minima that noise does not make, the deepest first.

    Two minima between which the curve does not rise by LEAST_RISE, and by SIGMAS times the noise,
    are one.
    """
    y, squared = y_of(seen.squared), seen.squared
    deepest = gamma_from_return_loss(LEAST_DEPTH_DB) ** 2
    beside = np.concatenate([[np.inf], squared, [np.inf]])
    lowest = (squared <= beside[:-2]) & (squared <= beside[2:]) & (squared <= deepest)
    minima = np.flatnonzero(lowest)
    found: list[int] = []
    for one in minima[np.argsort(squared[minima], kind="stable")].tolist():
        if len(found) == MOST_DIPS:
            break
        if all(_parted(seen, y, one, other) for other in found):
            found.append(one)
    return found


def _parted(seen: Seen, y: FloatArray, one: int, other: int) -> bool:
    first, last = sorted((one, other))
    top = first + int(np.argmax(y[first : last + 1]))
    noise = SIGMAS * math.hypot(seen.sd[one], seen.sd[top])
    rise = float(seen.squared[top] - seen.squared[one])
    return bool(y[top] > (1.0 + LEAST_RISE) * y[one] and rise > noise)


def _resonance(seen: Seen, low: int) -> Aim:
    """The minimum of a parabola through y = 1/(1 - gamma^2) over the bottom of the dip.

    With fewer than ENOUGH readings there the fit cannot be judged, so its half-width is no less
    than half of what each reading stands for.
    """
    first, last = _window(seen, low, WINDOW_RISE)
    inner = _window(seen, low, INNER_RISE)
    grid = np.arange(first, last + 1)
    inside = (seen.at >= first) & (seen.at <= last)
    f, count = seen.f[inside], int(np.count_nonzero(inside))
    middle_hz = float(seen.grid_hz[first] + seen.grid_hz[last]) / 2.0
    half_hz = max(float(seen.grid_hz[last] - seen.grid_hz[first]) / 2.0, 1.0)
    y = y_of(seen.squared[inside])
    # Propagated to y: dy = y^2 d(gamma^2); never quite nothing, so that weights stay finite.
    sd = np.maximum(y**2 * seen.sd[inside], 1e-6)
    u = (f - middle_hz) / half_hz
    powers = np.vander(u, 3, increasing=True)
    normal = powers.T @ (powers / sd[:, None] ** 2)
    slope = _of_minimum(powers, y, sd, half_hz) if count >= 4 else None
    # Where the readings bend no way up, there may be two dips: then all of the bottom is wanted.
    wanted = min(ENOUGH, grid.size) if slope is not None or count < 4 else grid.size
    wanted_inside = min(ENOUGH_INSIDE, inner[1] - inner[0] + 1)
    inside_count = int(np.count_nonzero(seen.taken[inner[0] : inner[1] + 1]))
    few = count < wanted or inside_count < wanted_inside
    spacing_hz = half_hz / count if few else 0.0
    noise_hz = TWO_SIGMA * _spread(normal, slope) if slope is not None else half_hz
    open_points = ~seen.taken[grid]

    def gains(also: list[int]) -> FloatArray:
        found = np.zeros(seen.grid_hz.size)
        extra = [one for one in also if first <= one <= last]
        number = count + len(extra)
        within = inside_count + sum(inner[0] <= one <= inner[1] for one in also)
        if number < wanted or within < wanted_inside:
            # Readings are spread evenly at first: most is gained in the middle of a wide gap.
            there = np.concatenate([seen.at[inside], np.array(extra, dtype=np.intp)])
            edges = np.sort(np.concatenate([there, [first - 1, last + 1]]))
            right = np.searchsorted(edges, grid)
            away = np.minimum(edges[right] - grid, grid - edges[np.maximum(right - 1, 0)])
            gain = (half_hz / max(number, 1)) ** 2 - (half_hz / (number + 1)) ** 2
            if within < wanted_inside:
                away = np.where((grid >= inner[0]) & (grid <= inner[1]), away, 0)
            found[grid] += gain * away / max(int(away.max()), 1)
        if slope is not None:
            found[grid] += _by_noise(normal, slope, seen, grid, extra, middle_hz, half_hz, sd)
        found[grid] *= open_points
        return found

    return Aim("resonance", math.hypot(spacing_hz, noise_hz), gains)


def _window(seen: Seen, low: int, rise_to: float) -> tuple[int, int]:
    """First and last index on the grid of the bottom of a dip, up to so many times the least y; at
    least four steps to each side."""
    y = y_of(seen.squared)
    rise = rise_to * y[low]
    high = np.flatnonzero(y > rise)
    left, right = high[high < low], high[high > low]
    here, end = int(seen.at[low]), seen.grid_hz.size - 1
    first = 0 if left.size == 0 else _crossing(seen.at, y, int(left[-1]), int(left[-1]) + 1, rise)
    last = end if right.size == 0 else _crossing(seen.at, y, int(right[0]), int(right[0]) - 1, rise)
    return max(0, min(first, here - 4)), min(end, max(last, here + 4))


def _crossing(at: NDArray[np.intp], y: FloatArray, outer: int, inner: int, rise: float) -> int:
    """The index on the grid at which y crosses a value between two readings, outwards rounded."""
    share = float((y[outer] - rise) / max(y[outer] - y[inner], 1e-12))
    place = float(at[outer]) + min(max(share, 0.0), 1.0) * float(at[inner] - at[outer])
    return math.floor(place) if outer < inner else math.ceil(place)


def _of_minimum(
    powers: FloatArray, y: FloatArray, sd: FloatArray, half_hz: float
) -> FloatArray | None:
    """How the minimum of the fitted parabola follows its coefficients, Hz; None without one.

    u0 = -a1/(2 a2), so du0/da1 = -1/(2 a2) and du0/da2 = a1/(2 a2^2); u is in units of half_hz.
    """
    _, a1, a2 = np.linalg.lstsq(powers / sd[:, None], y / sd, rcond=None)[0]
    if a2 <= 0.0 or abs(a1) > 4.0 * a2:
        return None
    return half_hz * np.array([0.0, -1.0 / (2.0 * a2), a1 / (2.0 * a2**2)])


def _spread(normal: FloatArray, slope: FloatArray) -> float:
    """Standard deviation of what follows fitted coefficients: sqrt(s' N^-1 s) (least squares)."""
    return math.sqrt(max(0.0, float(slope @ np.linalg.pinv(normal) @ slope)))


def _by_noise(
    normal: FloatArray,
    slope: FloatArray,
    seen: Seen,
    grid: NDArray[np.intp],
    extra: list[int],
    middle_hz: float,
    half_hz: float,
    sd: FloatArray,
) -> FloatArray:
    """What one more reading at each place takes off the square of the half-width by noise.

    A reading with the row v and the variance w adds v v'/w to the normal matrix N. Its inverse C
    then loses C v v' C/(w + v' C v) (Sherman and Morrison, from memory), and so the variance of
    s' a loses (s' C v)^2/(w + v' C v).
    """
    rows = np.vander((seen.grid_hz[grid] - middle_hz) / half_hz, 3, increasing=True)
    variance = np.full(grid.size, float(np.mean(sd**2)))
    for one in extra:
        row = rows[one - grid[0]]
        normal = normal + np.outer(row, row) / variance[one - grid[0]]
    inverse = np.linalg.pinv(normal)
    moved = rows @ inverse @ slope
    own = np.einsum("ij,jk,ik->i", rows, inverse, rows)
    gain: FloatArray = TWO_SIGMA**2 * moved**2 / (variance + own)
    return gain


def _edge(seen: Seen, low: int, level_db: float, way: int) -> Aim | None:
    """Where gamma crosses a level beside a dip; None where it does not, or the dip is too shallow.

    A straight line through the two readings next to the crossing misses it by up to s^2/8 times
    bend over slope, s being their distance (common practice, the error of linear interpolation).
    Noise moves it by noise over slope, less where several readings lie near the level.
    """
    gamma = np.sqrt(np.maximum(seen.squared, 0.0))
    level = gamma_from_return_loss(level_db)
    outwards = range(low, seen.at.size) if way > 0 else range(low, -1, -1)
    outer = next((one for one in outwards if gamma[one] > level), None)
    if gamma[low] > level or outer is None:
        return None
    inner = outer - way
    apart_hz = abs(float(seen.f[outer] - seen.f[inner]))
    slope = float(gamma[outer] - gamma[inner]) / apart_hz
    around = slice(max(0, min(inner, outer) - 1), max(inner, outer) + 2)
    bend = _bend(seen.f[around], gamma[around])
    steps = abs(int(seen.at[outer]) - int(seen.at[inner]))
    missed_hz = apart_hz**2 / 8.0 * bend / slope if steps > 1 else 0.0
    noise = float(seen.sd[inner] / (2.0 * max(level, 1e-6)))
    reach = max(SIGMAS * noise / slope, 0.0)
    crossing_hz = float(seen.f[inner]) + way * float(level - gamma[inner]) / slope
    near = np.abs(seen.grid_hz - crossing_hz) <= reach
    count = max(1, int(np.count_nonzero(near & seen.taken)))
    noise_hz = TWO_SIGMA * noise / slope
    # A second crossing hides in a wide gap more easily: half of the gap's width is never sure.
    lower, upper = sorted((int(seen.at[inner]), int(seen.at[outer])))

    def gains(also: list[int]) -> FloatArray:
        found = np.zeros(seen.grid_hz.size)
        if steps > 1 and not any(lower < one < upper for one in also):
            inside = np.arange(lower + 1, upper)
            away = np.abs(seen.grid_hz[inside] - crossing_hz) / apart_hz
            found[inside] += 0.75 * missed_hz**2 * np.maximum(1.0 - away, 0.0)
        number = count + sum(bool(near[one]) for one in also)
        found[near & ~seen.taken] += noise_hz**2 * (1.0 / number - 1.0 / (number + 1))
        return found

    return Aim("edge", math.hypot(missed_hz, noise_hz / math.sqrt(count)), gains)


def _bend(f: FloatArray, gamma: FloatArray) -> float:
    """The largest second derivative through three neighbours, per Hz^2."""
    if f.size < 3:
        return 0.0
    slopes = np.diff(gamma) / np.diff(f)
    return float(np.max(np.abs(2.0 * np.diff(slopes) / (f[2:] - f[:-2]))))
