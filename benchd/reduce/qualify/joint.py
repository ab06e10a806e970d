"""The reflection of a joint that is made again, measured by removing and refitting a load.

A load reads |d + G_L + r| times the tracking. d is the coupler's leak, G_L the reflection of the
load, and r that of the joint. Only r changes each time the load is fitted. While r is small, only
its component along d + G_L changes the reading. So the standard deviation of the readings is that
of r along one direction. An antenna's reading is affected by r in the same way.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

import numpy as np

from benchd.errors import ReductionRefused
from benchd.reduce.decibels import NEPER_DB
from benchd.reduce.distributions import sd_interval
from benchd.reduce.qualify.coupler import Reflectometer, positive_db
from benchd.reduce.qualify.spreads import nearest, spread_budget
from benchd.results import Result
from benchd.traces import BoolArray, FloatArray

LEAST_FITS = 3


@dataclass(frozen=True, eq=False)
class Joint:
    """Spread over repeated fittings, linear, shape (n,).

    sd: of the reflection along one direction. degrees_of_freedom: fittings less one.
    is_least: True near the noise, where noise makes most of the spread.
    """

    frequency_hz: FloatArray
    sd: FloatArray
    degrees_of_freedom: float
    is_least: BoolArray

    @property
    def reflection_db(self) -> FloatArray:
        """The joint's reflection as positive dB below a full reflection, root mean square.

        Its phase is random, so it has the standard deviation `sd` along each of two directions.
        """
        return positive_db(math.sqrt(2.0) * self.sd)


def joint_spread(fits_dbm: FloatArray, coupler: Reflectometer) -> Joint:
    """Spread of the load's reading, divided by the tracking. fits_dbm: shape (fittings, n).

    Raises ReductionRefused for fewer than 3 fittings.
    """
    count = fits_dbm.shape[0]
    if count < LEAST_FITS:
        raise ReductionRefused(
            f"{count} fits of the load show no spread, at least {LEAST_FITS} are needed",
            advice="Take the load off and fit it again more often.",
        )
    seen = 10.0 ** (fits_dbm / 20.0) / coupler.tracking
    return Joint(coupler.frequency_hz, seen.std(axis=0, ddof=1), float(count - 1), coupler.is_least)


def joint_results(found: Joint, at_hz: list[float]) -> list[Result]:
    """`joint_reflection` at frequencies, dB, positive, with the chi-square interval of a spread.

    It is what a bench file states as the `reflection_repeatability` of a cable.
    """
    return [_result(found, nearest(found.frequency_hz, at), at) for at in at_hz]


def _result(found: Joint, index: int, at_hz: float) -> Result:
    sd, freedom = float(found.sd[index]), found.degrees_of_freedom
    # A relative error r of the spread is 8.686 r in dB (NEPER_DB).
    whole = spread_budget(NEPER_DB, freedom, "joint reflection itself")
    ends = positive_db(math.sqrt(2.0) * np.array(sd_interval(sd, freedom)))
    budget = replace(whole, low=float(ends[1]), high=float(ends[0]))
    return Result.of_budget(
        quantity="joint_reflection",
        value=float(found.reflection_db[index]),
        unit="dB",
        budget=budget,
        frequency_hz=at_hz,
        flags=("near-noise",) if bool(found.is_least[index]) else (),
    )
