"""The input and the result of every sweep procedure."""

from __future__ import annotations

from collections.abc import Generator
from dataclasses import dataclass, field, replace
from typing import Any, TypeVar

import numpy as np

from benchd.sweeps import SweepPlan
from benchd.traces import BoolArray, FloatArray, Form, Trace
from drivers.exchange import Item

T = TypeVar("T")
Procedure = Generator[Item, list[Any], T]


@dataclass(frozen=True, slots=True)
class SweepInstruments:
    """The drivers that a sweep uses, and `zero` of a power meter (`benchd.acquire.zeroing.Zero`).

    `source` is None where the analyzer has a tracking output.

    The drivers have the methods that `drivers.protocols` requires for their kinds and for the
    sweep's method.
    """

    analyzer: Any
    source: Any | None = None
    zero: Any | None = None


@dataclass(frozen=True, eq=False)
class Sweep:
    """One finished sweep.

    frequency_hz, level_dbm: shape (n,), Hz and dBm, frequencies strictly rising.
    visited: shape (n,), False where a `hold` sweep never saw the source.
    scatter_db: shape (n,), standard deviation of a single reading over the averages, dB.
    noise_hz, noise_dbm: shape (m,), the analyzer's reading with RF off.
    flags: `overload`, `uncalibrated`, `bins-not-visited`, `not-read-back`,
        `trigger-missed`.
    again_dbm: the highest point, read once more at the end of the sweep with RF on.
    off_dbm: single readings with RF off where the level is highest, taken after the sweep.
    remarks: what went otherwise than planned, in words for a person.
    """

    frequency_hz: FloatArray
    level_dbm: FloatArray
    visited: BoolArray | None = None
    scatter_db: FloatArray | None = None
    noise_hz: FloatArray | None = None
    noise_dbm: FloatArray | None = None
    flags: tuple[str, ...] = ()
    readings: dict[str, float] = field(default_factory=dict)
    again_dbm: float | None = None
    off_dbm: tuple[float, ...] = ()
    remarks: tuple[str, ...] = ()

    def with_off_readings(self, off_dbm: tuple[float, ...]) -> Sweep:
        """The same sweep, with the readings with RF off that were taken after it."""
        return replace(self, off_dbm=off_dbm)

    def traces(self) -> tuple[Trace, ...]:
        """The sweep as traces: `level` first, then `scatter` and `noise` if they were taken."""
        found = [Trace("level", Form.LEVEL_DBM, self.frequency_hz, self.level_dbm, self.visited)]
        if self.scatter_db is not None:
            found.append(Trace("scatter", Form.RATIO_DB, self.frequency_hz, self.scatter_db))
        if self.noise_hz is not None and self.noise_dbm is not None:
            found.append(Trace("noise", Form.LEVEL_DBM, self.noise_hz, self.noise_dbm))
        return tuple(found)


def grid_hz(plan: SweepPlan) -> FloatArray:
    """The plan's frequencies, shape (points,), Hz, both ends included.

    Rounded to whole hertz: a synthesised source cannot do better, and a grid that prints and
    parses back to itself lets two captures be compared exactly.
    """
    return np.round(np.linspace(plan.start_hz, plan.stop_hz, plan.points))


def power_mean_dbm(readings_dbm: FloatArray) -> FloatArray:
    """Mean of the powers along the first axis, dBm; a mean of decibels would read low."""
    mean: FloatArray = 10.0 * np.log10(np.mean(10.0 ** (readings_dbm / 10.0), axis=0))
    return mean
