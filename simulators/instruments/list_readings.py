"""The readings of an analyzer that steps through a list: each point has a time of its own."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from simulators.instruments.emission import Feed
from simulators.instruments.receiver import Sweep, SweepPlan
from simulators.world import AnalyzerModel

FloatArray = NDArray[np.float64]

_SUBSTEPS = 8


class ListReadings(Sweep):
    """Reads each point of a list once its time is over.

    plan: the settings of single readings. dwell_s: time of each.
    """

    def __init__(
        self,
        plan: SweepPlan,
        frequencies_hz: list[float],
        dwell_s: float,
        feed: Feed,
        model: AnalyzerModel,
    ) -> None:
        bins = np.array(frequencies_hz)
        super().__init__(
            replace(plan, bins_hz=bins, sweep_time_s=dwell_s * bins.size), 0.0, feed, model
        )
        self._dwell_s = dwell_s

    def __post_init__(self) -> None:
        self.values_dbm = np.full(self.plan.points, np.nan)
        self._ahead = None

    def take(self, begun_s: list[float], done: int) -> None:
        """Compute the readings up to `done` that are missing yet; they began at `begun_s`."""
        if done <= self.filled:
            return
        begins = np.array(begun_s[self.filled : done])
        chosen = np.arange(self.filled, done)
        ends = begins + self._dwell_s
        frequency, level = self.feed.at_times(
            np.column_stack((begins, (begins + ends) / 2, ends - 1e-9)).ravel()
        )
        frequency, level = frequency.reshape(-1, 3), level.reshape(-1, 3)
        still = (np.ptp(frequency, axis=1) == 0.0) & (np.ptp(level, axis=1) < 0.5)
        bins = self.plan.bins_hz[chosen]
        read = self._dwell(bins, frequency[:, 1], level[:, 1], 1)
        if not still.all():
            read[~still] = self._moving(bins[~still], begins[~still])
        self.values_dbm[self.filled : done] = self._compressed(read)
        self.filled = done

    def _ambient(self) -> list[tuple[float, float]]:
        """As of a trace; a list may go backwards."""
        beyond_hz = 3 * self.plan.rbw_hz
        bins = self.plan.bins_hz
        return self.feed.ambient(float(bins.min()) - beyond_hz, float(bins.max()) + beyond_hz)

    def _moving(self, bins_hz: FloatArray, begins_s: FloatArray) -> FloatArray:
        """Readings during which the signal changed."""
        offsets = (np.arange(_SUBSTEPS) + 0.5) / _SUBSTEPS * self._dwell_s
        frequency, level = self.feed.at_times((begins_s[:, np.newaxis] + offsets).ravel())
        bins = np.repeat(bins_hz, _SUBSTEPS)
        return self._detected(self._dwell(bins, frequency, level, _SUBSTEPS).reshape(-1, _SUBSTEPS))
