"""Judging whether a working path can have given a reading. Pure; arrays over the points of a sweep.

With a broken path (a switch without power, a cable pulled off) the analyzer reads its noise.
Divided by open and short, noise looks like an excellent match. But a working path has a smallest
possible
reading: a coupler leaks, and its leak and a reflection cancel only in a narrow null. The margins
below allow for parts that are far better than stated, for a deep match, and for outside
transmitters. A working path gives no reading beyond them (common practice, no source).
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from benchd.traces import BoolArray, FloatArray

LEAST_POINTS = 5
"""Fewest neighbouring points that count as a run. A null between leak and reflection is
narrower."""

BELOW_LEAK_DB = 20.0
"""How much better than stated a coupler may be over a wide run, dB."""

FAR_BELOW_LEAK_DB = 30.0
"""No run of points may lie this far below the stated leak, dB, however narrow its band is."""

WIDE_RUN = 0.01
"""A run counts as wide if its band is at least this share of the frequency. A null of leak and
reflection is this deep only while the antenna's reflection changes by less than a tenth of the
leak. Even for an antenna of low Q that band is narrower than this."""

AT_NOISE_DB = 6.0
"""A reading less than this above that of noise alone, dB, may be noise."""

CLIFF_DB = 12.0
"""Largest step of a smooth curve from one point to the first of a run of noise, dB. A null falls
gradually: one point before five points of noise, it is only 3 dB above the noise."""

RANGE_CLIFF_DB = 30.0
"""The same over a range, where a transmitter as wide as several points may stand out of the noise
while what is measured (a closed box) lies below it."""

ABOVE_MOST_DB = 6.0
"""How far a reading may lie above the most that the level budget allows."""

CHANCE = 1e-9
"""Chance below which equal readings are no coincidence."""


@dataclass(frozen=True, slots=True)
class Run:
    """Neighbouring points `first` to `last` (both included) of a sweep."""

    first: int
    last: int

    @property
    def points(self) -> int:
        """How many points."""
        return self.last - self.first + 1


def runs(mask: BoolArray) -> list[Run]:
    """All runs of True in a mask of shape (n,)."""
    edges = np.flatnonzero(np.diff(np.concatenate(([False], mask, [False])).astype(np.int8)))
    return [Run(int(a), int(b) - 1) for a, b in zip(edges[::2], edges[1::2], strict=True)]


def longest(mask: BoolArray) -> Run | None:
    """The longest run of True, or None."""
    found = runs(mask)
    return max(found, key=lambda run: run.points) if found else None


def below_leak(
    frequency_hz: FloatArray, below_full_db: FloatArray, leak_db: FloatArray, *, wide: bool = True
) -> Run | None:
    """A run of readings so far below a full reflection that even the coupler's leak is missing.

    below_full_db: full reflection minus reading, dB, shape (n,); NaN where it is unknown.
    leak_db: directivity as stated or measured, dB, shape (n,).
    wide: also look for wide runs at the smaller margin; not for a load, which with a coupler
        better than stated may be as quiet over the whole band.
    """
    least = min(LEAST_POINTS, frequency_hz.size)
    deep = longest(np.nan_to_num(below_full_db - leak_db, nan=-np.inf) > FAR_BELOW_LEAK_DB)
    if deep is not None and deep.points >= least:
        return deep
    if not wide:
        return None
    low = longest(np.nan_to_num(below_full_db - leak_db, nan=-np.inf) > BELOW_LEAK_DB)
    if low is None or low.points < least:
        return None
    width_hz = float(frequency_hz[low.last] - frequency_hz[low.first])
    return low if width_hz >= WIDE_RUN * float(frequency_hz[low.first]) else None


def too_low(level_dbm: FloatArray, expected_dbm: FloatArray, margin_db: float) -> Run | None:
    """A run that lies more than the margin below the level that a path of known loss must give.

    expected_dbm: shape (n,), NaN where it is unknown.
    """
    short = np.nan_to_num(expected_dbm - level_dbm, nan=-np.inf) > margin_db
    found = longest(short)
    return found if found is not None and found.points >= min(3, level_dbm.size) else None


def too_high(level_dbm: FloatArray, most_dbm: float) -> Run | None:
    """The longest run above the largest level that the source can deliver.

    None unless most of the sweep lies above it: one transmitter nearby raises only some points.
    """
    above = level_dbm > most_dbm + ABOVE_MOST_DB
    return longest(above) if np.count_nonzero(above) > 0.5 * level_dbm.size else None


def noise_over(frequency_hz: FloatArray, noise_hz: FloatArray, noise_dbm: FloatArray) -> FloatArray:
    """The reading of noise alone at each frequency, shape (n,), dBm.

    Few readings of it are taken for one level, their median, so that a transmitter in one of
    them changes nothing; a whole trace is interpolated.
    """
    if noise_hz.size < 10:
        return np.full(frequency_hz.shape, float(np.median(noise_dbm)))
    return np.interp(frequency_hz, noise_hz, noise_dbm)


def at_noise(level_dbm: FloatArray, noise_dbm: FloatArray) -> BoolArray:
    """Where a reading may be noise alone."""
    found: BoolArray = level_dbm < noise_dbm + AT_NOISE_DB
    return found


def falls_to_noise(
    level_dbm: FloatArray, noise_dbm: FloatArray, cliff_db: float = CLIFF_DB
) -> Run | None:
    """A run of noise that begins or ends with a large step (a cliff).

    Then the path broke, or was restored, between two points, or the source had another frequency
    for a while. Beyond the cliff equally many points must be clear of the noise, by `cliff_db`,
    since a resonance of the box or a transmitter nearby raises single points only.
    """
    low = at_noise(level_dbm, noise_dbm)
    clear = level_dbm > noise_dbm + cliff_db
    for run in runs(low):
        if run.points < LEAST_POINTS:
            continue
        before = slice(max(0, run.first - LEAST_POINTS), run.first)
        after = slice(run.last + 1, run.last + 1 + LEAST_POINTS)
        for inside, outside, side in (
            (run.first, run.first - 1, before),
            (run.last, run.last + 1, after),
        ):
            if np.count_nonzero(clear[side]) < LEAST_POINTS:
                continue
            if level_dbm[outside] - level_dbm[inside] > cliff_db:
                return run
    return None


def chance_of_equal(step_db: float, sd_db: float) -> float:
    """Chance that two readings of one level, each with this spread, show the same number.

    step_db: the smallest step of the display. Two readings differ by a normal d of variance
    2 sd^2 and fall into one step with the chance max(0, 1 - |d|/step), averaged over where the
    steps lie: erf(x) - (1 - exp(-x^2)) / (x sqrt(pi)) with x = step / (2 sd) (arithmetic).
    """
    if sd_db <= 0.0:
        return 1.0
    x = step_db / (2.0 * sd_db)
    if x < 1e-6:
        return x / math.sqrt(math.pi)
    return math.erf(x) + math.expm1(-x * x) / (x * math.sqrt(math.pi))


def display_step_db(readings_dbm: FloatArray) -> float:
    """The step in which an analyzer shows its single readings, dB: the coarsest of 1, 0.5, 0.2,
    0.1 and so on of which all are multiples; 1e-7 where they are finer than a millionth."""
    for decade in range(7):
        for digit in (1.0, 0.5, 0.2):
            step = digit * 10.0**-decade
            steps = readings_dbm / step
            if np.all(np.abs(steps - np.round(steps)) < 1e-3):
                return step
    return 1e-7


def stands_still(level_dbm: FloatArray, step_db: float, sd_db: FloatArray) -> Run | None:
    """A run of equal readings that is too long for chance, so that the display must be frozen.

    sd_db: least standard deviation of each reading, shape (n,).
    """
    same = np.concatenate(([False], np.diff(level_dbm) == 0.0))
    for run in sorted(runs(same), key=lambda one: -one.points):
        spread_db = float(np.min(sd_db[run.first : run.last + 1]))
        chance = chance_of_equal(step_db, spread_db)
        if level_dbm.size * chance**run.points < CHANCE:
            return Run(run.first - 1, run.last)
    return None


def repeats(
    level_dbm: FloatArray, before_dbm: FloatArray, step_db: float, sd_db: FloatArray
) -> bool:
    """Whether a sweep equals the one before to the last digit, which with noise is no chance."""
    if level_dbm.shape != before_dbm.shape or not np.array_equal(level_dbm, before_dbm):
        return False
    logs = [math.log(max(chance_of_equal(step_db, float(sd)), 1e-300)) for sd in sd_db]
    return sum(logs) < math.log(CHANCE)
