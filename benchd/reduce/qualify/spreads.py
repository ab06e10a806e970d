"""Standard deviations over repeats, as results with an interval of their own."""

from __future__ import annotations

import math

import numpy as np

from benchd.errors import ReductionRefused
from benchd.reduce.distributions import coverage_factor, sd_interval
from benchd.reduce.uncertainty import term
from benchd.results import Budget, Result
from benchd.traces import FloatArray


def spread_db(levels_db: FloatArray, what: str = "repeats", least: int = 3) -> FloatArray:
    """Standard deviation over repeats, shape (repeats, n) -> (n,), with repeats - 1 degrees of
    freedom. Raises ReductionRefused for fewer than `least`.
    """
    count = levels_db.shape[0]
    if count < least:
        raise ReductionRefused(
            f"{count} {what} show no spread, at least {least} are needed",
            advice="Repeat more often; 8 times gives a spread known to about a quarter.",
        )
    found: FloatArray = levels_db.std(axis=0, ddof=1)
    return found


def pooled_db(spreads_db: FloatArray) -> float:
    """Root mean square of spreads over frequency; all have the same degrees of freedom."""
    return float(np.sqrt(np.mean(spreads_db**2)))


def spread_budget(sd_db: float, degrees_of_freedom: float, name: str) -> Budget:
    """Budget of a standard deviation: its own standard uncertainty s/sqrt(2 nu) (JCGM 100,
    E.4.3), and the chi-square interval, which is asymmetric.
    """
    standard = sd_db / math.sqrt(2.0 * degrees_of_freedom)
    k = coverage_factor(degrees_of_freedom)
    low, high = sd_interval(sd_db, degrees_of_freedom)
    line = term(name, standard, "dB", degrees_of_freedom=degrees_of_freedom)
    return Budget(
        terms=(line,),
        standard=standard,
        degrees_of_freedom=degrees_of_freedom,
        coverage_factor=k,
        expanded=k * standard,
        low=low,
        high=high,
    )


def spread_result(
    quantity: str,
    sd_db: float,
    degrees_of_freedom: float,
    *,
    frequency_hz: float | None = None,
    band_hz: tuple[float, float] | None = None,
    note: str = "",
    flags: tuple[str, ...] = (),
) -> Result:
    """A standard deviation in dB with its interval; the budget carries its degrees of freedom."""
    budget = spread_budget(sd_db, degrees_of_freedom, f"{quantity.replace('_', ' ')} itself")
    return Result.of_budget(
        quantity=quantity,
        value=sd_db,
        unit="dB",
        budget=budget,
        frequency_hz=frequency_hz,
        band_hz=band_hz,
        note=note,
        flags=flags,
    )


def nearest(frequency_hz: FloatArray, at_hz: float) -> int:
    """Index of the grid point nearest to a frequency."""
    return int(np.argmin(np.abs(frequency_hz - at_hz)))


def averaged_near(frequency_hz: FloatArray, values: FloatArray, reach: float) -> FloatArray:
    """Mean of each value with its neighbours in frequency, both shape (n,).

    values: variances or squared magnitudes, linear. reach: relative half-width, 0.05 is 5 %.
    """
    near = np.abs(np.log(frequency_hz[:, np.newaxis] / frequency_hz)) <= reach
    found: FloatArray = near @ values / near.sum(axis=1)
    return found


def ends_hz(frequency_hz: FloatArray) -> tuple[float, float]:
    """First and last frequency of a grid."""
    return float(frequency_hz[0]), float(frequency_hz[-1])
