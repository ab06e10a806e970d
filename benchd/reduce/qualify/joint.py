"""What a joint made anew reflects of its own, from a load taken off and fitted again.

A load shows |d + G_L + r| over tracking, with d the coupler's leak, G_L the load and r what the
joint reflects. Only r changes from fit to fit, and while it is small only its part along d + G_L
shows: the spread of the reading is the standard deviation of r along one direction, which is
what r does to an antenna's reflection, whatever that direction is.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from benchd.errors import ReductionRefused
from benchd.reduce.qualify.chi import sd_interval
from benchd.reduce.qualify.coupler import Reflectometer
from benchd.reduce.qualify.spreads import nearest
from benchd.reduce.student import coverage_factor
from benchd.reduce.uncertainty import term
from benchd.results import Budget, Result
from benchd.traces import BoolArray, FloatArray

LEAST_FITS = 3


@dataclass(frozen=True, eq=False)
class Joint:
    """Spread over fits, linear, shape (n,).

    sd: of the reflection along one direction. degrees_of_freedom: fits less one.
    is_least: where noise is near, so that the spread is mostly the noise's.
    """

    frequency_hz: FloatArray
    sd: FloatArray
    degrees_of_freedom: float
    is_least: BoolArray

    @property
    def reflection_db(self) -> FloatArray:
        """How far below a full reflection the whole change lies, root mean square, positive dB."""
        return joint_reflection_db(self.sd)


def joint_reflection_db(sd: FloatArray) -> FloatArray:
    """-20 lg(sqrt(2) s): a change of random phase has s along each of two directions."""
    found: FloatArray = -20.0 * np.log10(np.maximum(math.sqrt(2.0) * sd, 1e-6))
    return found


def joint_spread(fits_dbm: FloatArray, coupler: Reflectometer) -> Joint:
    """Spread of the load's reading over tracking; fits_dbm: shape (fits, n).

    Raises ReductionRefused for fewer than 3 fits.
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
    """`joint_reflection` at frequencies, dB, positive, with the chi-square interval of a spread."""
    return [_result(found, nearest(found.frequency_hz, at), at) for at in at_hz]


def _result(found: Joint, index: int, at_hz: float) -> Result:
    sd, freedom = float(found.sd[index]), found.degrees_of_freedom
    # A spread's own standard uncertainty is s/sqrt(2 nu) (JCGM 100, E.4.3).
    relative = 1.0 / math.sqrt(2.0 * freedom)
    line = term("joint reflection itself", 20.0 / math.log(10.0) * relative, "dB",
                degrees_of_freedom=freedom)  # fmt: skip
    k = coverage_factor(freedom)
    ends = np.array(sd_interval(sd, freedom))
    high_db, low_db = (float(one) for one in joint_reflection_db(ends))
    budget = Budget(
        terms=(line,),
        standard=line.contribution,
        degrees_of_freedom=freedom,
        coverage_factor=k,
        expanded=k * line.contribution,
        low=low_db,
        high=high_db,
    )
    return Result(
        quantity="joint_reflection",
        value=float(found.reflection_db[index]),
        unit="dB",
        expanded_uncertainty=budget.expanded,
        coverage_factor=k,
        low=low_db,
        high=high_db,
        frequency_hz=at_hz,
        flags=("near-noise",) if bool(found.is_least[index]) else (),
        budget=budget,
        note="State it as the reflection_repeatability of the cable in the bench file.",
    )
