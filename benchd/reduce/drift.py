"""Drift of a baseline over time, and how old a baseline may become."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from benchd.errors import ReductionRefused
from benchd.reduce.budget_inputs import Known
from benchd.traces import FloatArray


@dataclass(frozen=True, slots=True)
class Age:
    """max_age_s: largest distance in time within which no pair of baselines differed by more
    than limit_db; 0 where even neighbours did. worst_db: largest difference seen within it.

    longest_s: duration of the whole observation. is_whole_watch: True if the limit was never
    exceeded: then a larger age may be allowed, but was not observed.
    """

    max_age_s: float
    limit_db: float
    worst_db: float
    longest_s: float
    is_whole_watch: bool


def largest_max_age(times_s: FloatArray, levels_db: FloatArray, limit_db: float) -> Age:
    """Largest age that keeps drift within limit_db, at every frequency and from any start.

    times_s: shape (captures,), rising; levels_db: shape (captures, n), baselines in dBm or dB.
    Every pair of captures is compared, so that a slow swing counts as much as a steady slope.
    Raises ReductionRefused for fewer than 3 captures.
    """
    _check(times_s, levels_db)
    first, second = np.triu_indices(times_s.size, k=1)
    apart_s = times_s[second] - times_s[first]
    change_db = np.abs(levels_db[second] - levels_db[first]).max(axis=1)
    order = np.argsort(apart_s, kind="stable")
    apart_s, change_db = apart_s[order], change_db[order]
    over = np.flatnonzero(change_db > limit_db)
    longest_s = float(apart_s[-1])
    if over.size == 0:
        return Age(longest_s, limit_db, float(change_db.max()), longest_s, True)
    # Only ages below that of the nearest pair beyond the limit are safe, even if another pair of
    # that age was within it.
    safe = apart_s < apart_s[over[0]]
    if not safe.any():
        return Age(0.0, limit_db, 0.0, longest_s, False)
    worst_db = float(change_db[safe].max())
    return Age(float(apart_s[safe][-1]), limit_db, worst_db, longest_s, False)


def drift_over_age_db(times_s: FloatArray, levels_db: FloatArray, age_s: float) -> float:
    """Largest change between captures up to age_s apart, dB: a half-width for a budget.

    Shapes as in `largest_max_age`; 0 where no pair lies that close.
    """
    _check(times_s, levels_db)
    first, second = np.triu_indices(times_s.size, k=1)
    near = times_s[second] - times_s[first] <= age_s
    if not near.any():
        return 0.0
    return float(np.abs(levels_db[second[near]] - levels_db[first[near]]).max())


def reading_noise_db(times_s: FloatArray, levels_db: FloatArray) -> float:
    """Standard deviation of one reading by noise alone, dB.

    Shapes as in `largest_max_age`. The difference between a capture and the straight line through
    its two neighbours in time shows noise and hardly any drift. Its variance is that of one reading
    times 1 + w^2 + (1 - w)^2, with w the weight of the later neighbour. It is averaged over
    captures and frequencies. A drift that bends sharply between captures counts as noise here.
    """
    _check(times_s, levels_db)
    later = (times_s[1:-1] - times_s[:-2]) / (times_s[2:] - times_s[:-2])
    weight = later[:, np.newaxis]
    away = levels_db[1:-1] - (1.0 - weight) * levels_db[:-2] - weight * levels_db[2:]
    variance = away**2 / (1.0 + weight**2 + (1.0 - weight) ** 2)
    return float(np.sqrt(variance.mean()))


def temperature_coefficient(temperature_c: FloatArray, levels_db: FloatArray) -> Known:
    """Slope of the mean level against temperature, dB/K, by least squares.

    temperature_c: shape (captures,); levels_db: shape (captures, n). The returned Known holds the
    slope; its standard uncertainty is `temperature_slope_sd`. Raises ReductionRefused for a
    temperature that did not change.
    """
    away = temperature_c - temperature_c.mean()
    if not float(away @ away) > 0.0:
        raise ReductionRefused(
            "the temperature did not change during the watch",
            advice="Watch through a night, or leave the temperature out.",
        )
    mean_db = levels_db.mean(axis=1)
    slope = float(away @ (mean_db - mean_db.mean()) / (away @ away))
    return Known(slope, degrees_of_freedom=float(temperature_c.size - 2))


def temperature_slope_sd(temperature_c: FloatArray, levels_db: FloatArray) -> float:
    """Standard uncertainty of `temperature_coefficient`, dB/K (JCGM 100, H.3)."""
    slope = temperature_coefficient(temperature_c, levels_db).value
    away = temperature_c - temperature_c.mean()
    mean_db = levels_db.mean(axis=1)
    rest = mean_db - mean_db.mean() - slope * away
    freedom = max(temperature_c.size - 2, 1)
    return float(np.sqrt(rest @ rest / freedom / (away @ away)))


def _check(times_s: FloatArray, levels_db: FloatArray) -> None:
    if times_s.size < 3 or levels_db.shape[0] != times_s.size:
        raise ReductionRefused(
            f"{levels_db.shape[0]} baselines at {times_s.size} times cannot show drift, "
            "at least 3 are needed",
            advice="Repeat the baseline over the time that it is to last.",
        )
