"""One sweep of an analyzer: which point looks where and when, and what it reads there.

The physics of a reading (noise, filter, detectors, errors of the scale) belongs to
`AnalyzerModel`; this module knows only what arrives during each point's time.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from simulators.instruments.emission import SILENCE_DBM, Emission, Feed
from simulators.world import AnalyzerModel

FloatArray = NDArray[np.float64]

_MOST_SUBSTEPS = 16
_COMPRESSED = 0.2589
"""One less than 1 dB as a ratio."""


@dataclass(frozen=True)
class SweepPlan:
    """Settings of one sweep, frozen when it starts.

    Attributes:
        bins_hz: tuned frequency of each point, shape (n,).
        sweep_time_s: of the whole sweep.
        detector: as `AnalyzerModel` names it.
        smoothing: samples averaged by video filtering on top of the detector, at least 1.
        mixer_limit_dbm: compression point (1 dB) at the input, attenuation included.
        tracking_dbm: level of the own tracking output; None while it is off.
    """

    bins_hz: FloatArray
    sweep_time_s: float
    rbw_hz: float
    detector: str
    smoothing: int
    attenuation_db: float
    mixer_limit_dbm: float
    tracking_dbm: float | None

    @property
    def points(self) -> int:
        """Number of points."""
        return int(self.bins_hz.size)

    @property
    def point_time_s(self) -> float:
        """Time spent on each point."""
        return self.sweep_time_s / self.bins_hz.size

    @property
    def first_hz(self) -> float:
        """Tuned frequency of the first point."""
        return float(self.bins_hz[0])

    @property
    def last_hz(self) -> float:
        """Tuned frequency of the last point."""
        return float(self.bins_hz[-1])

    @property
    def is_zero_span(self) -> bool:
        """Whether every point looks at the same frequency."""
        return self.first_hz == self.last_hz


@dataclass
class Sweep:
    """A sweep under way; `advance` fills the points whose time has passed."""

    plan: SweepPlan
    start_s: float
    feed: Feed
    model: AnalyzerModel
    filled: int = 0
    values_dbm: FloatArray = field(init=False)

    def __post_init__(self) -> None:
        self._ahead: tuple[int, FloatArray] | None = None
        if self.plan.points == 1:
            # Computed during the point's dwell and not after it, so that a point takes no longer
            # than its dwell. Discarded if anything changes meanwhile.
            self.values_dbm = np.empty(1)
            self._ahead = (self.feed.changes, self._single())
        else:
            self.values_dbm = np.full(self.plan.points, np.nan)

    @property
    def end_s(self) -> float:
        """When the last point is finished."""
        return self.start_s + self.plan.sweep_time_s

    @property
    def is_done(self) -> bool:
        """Whether every point is filled."""
        return self.filled >= self.plan.points

    def advance(self, now_s: float) -> None:
        """Read every point that is finished by now, with the world as it stands."""
        plan = self.plan
        if now_s >= self.end_s:
            due = plan.points
        else:
            due = max(0, int((now_s - self.start_s) / plan.point_time_s))
        if due > self.filled:
            if self._ahead is not None and self._ahead[0] == self.feed.changes:
                self.values_dbm = self._ahead[1]
            else:
                self.values_dbm[self.filled : due] = self._compressed(self._read(self.filled, due))
            self.filled = due

    def _single(self) -> FloatArray:
        """The reading of a sweep of one point, shape (1,).

        Of one still tone with nothing beside it, by the detector of stepped sweeps, it is worked
        out number by number.
        """
        plan, feed = self.plan, self.feed
        spans = feed.during(self.start_s, self.end_s)
        emission = spans[0][1]
        still = len(spans) == 1 and not emission.is_moving and plan.tracking_dbm is None
        if not still or plan.detector != "rms" or self._ambient():
            return self._compressed(self._read(0, 1))
        bin_hz = plan.first_hz
        reading_dbm = self.model.rms_reading_dbm(
            feed.fixed_level_dbm(emission, self.end_s),
            bin_hz,
            emission.frequency_hz - bin_hz,
            plan.rbw_hz,
            max(1, int(plan.sweep_time_s * plan.rbw_hz)),
            plan.attenuation_db,
        )
        over = 10 ** ((reading_dbm - plan.mixer_limit_dbm) / 10)
        return np.array([reading_dbm - 10 * math.log10(1 + _COMPRESSED * over)])

    def _read(self, first: int, last: int) -> FloatArray:
        plan = self.plan
        begin_s = self.start_s + first * plan.point_time_s
        end_s = self.start_s + last * plan.point_time_s
        spans = self.feed.during(begin_s, end_s)
        if plan.tracking_dbm is not None:
            return self._read_tracking(first, last, (begin_s + end_s) / 2)
        still = len(spans) == 1 and not spans[0][1].is_moving
        if still and not plan.is_zero_span and last - first > 1:
            return self._read_swept(first, last, spans[0][1], end_s)
        if still:
            level = self.feed.fixed_level_dbm(spans[0][1], end_s)
            bins = plan.bins_hz[first:last]
            frequency = np.full(bins.shape, spans[0][1].steps_hz[0])
            return self._dwell(bins, frequency, np.full(bins.shape, level), 1)
        return self._read_changing(first, last, spans)

    def _read_swept(self, first: int, last: int, emission: Emission, at_s: float) -> FloatArray:
        """An ordinary trace past tones that stand still."""
        plan = self.plan
        bins = plan.bins_hz[first:last]
        tones = self._ambient()
        if emission.level_dbm is not None:
            level = self.feed.fixed_level_dbm(emission, at_s)
            tones.append((float(emission.steps_hz[0]), level))
            tones += self.feed.harmonics(emission, at_s)
        share = (last - first) / plan.points
        return self.model.sweep_reading_dbm(
            bins, tones, plan.rbw_hz, plan.sweep_time_s * share, plan.detector, plan.attenuation_db
        )

    def _read_tracking(self, first: int, last: int, at_s: float) -> FloatArray:
        """The own tracking output follows the tuned frequency exactly."""
        bins = self.plan.bins_hz[first:last]
        level = self.feed.arriving_dbm(bins, self.plan.tracking_dbm or 0.0, at_s)
        return self._dwell(bins, bins, level, 1)

    def _read_changing(
        self, first: int, last: int, spans: list[tuple[float, Emission]]
    ) -> FloatArray:
        """Readings while the arriving signal changes: each point is sampled several times."""
        plan = self.plan
        shortest_s = min(
            min(length_s, emission.dwell_s if emission.is_moving else length_s)
            for length_s, emission in spans
        )
        # A single point is sampled as finely as possible, a trace as finely as its source needs.
        needed = np.ceil(plan.point_time_s / shortest_s) + 1 if plan.points > 1 else np.inf
        substeps = int(np.clip(needed, 4, _MOST_SUBSTEPS))
        offsets = (np.arange(substeps) + 0.5) / substeps * plan.point_time_s
        starts = self.start_s + np.arange(first, last) * plan.point_time_s
        times = (starts[:, np.newaxis] + offsets).ravel()
        frequency, level = self.feed.at_times(times)
        bins = np.repeat(plan.bins_hz[first:last], substeps)
        read = self._dwell(bins, frequency, level, substeps).reshape(-1, substeps)
        return self._detected(read)

    def _detected(self, read: FloatArray) -> FloatArray:
        """One reading of several samples, as the detector makes it; shape (n, samples) to (n,)."""
        plan = self.plan
        if plan.detector in ("positive", "normal"):
            return np.asarray(read.max(axis=1))
        if plan.detector == "sample":
            return np.asarray(read[:, -1])
        if plan.detector == "average":
            return np.asarray(read.mean(axis=1))
        return np.asarray(10 * np.log10(np.mean(10 ** (read / 10), axis=1)))

    def _dwell(
        self, bins_hz: FloatArray, frequency_hz: FloatArray, level_dbm: FloatArray, substeps: int
    ) -> FloatArray:
        """Readings at tuned frequencies of a tone that may lie beside them."""
        plan = self.plan
        offset_hz = frequency_hz - bins_hz
        ambient = self._ambient()
        if ambient:
            power_mw = _through_filter_mw(level_dbm, offset_hz, plan.rbw_hz)
            for tone_hz, tone_dbm in ambient:
                power_mw = power_mw + _through_filter_mw(tone_dbm, tone_hz - bins_hz, plan.rbw_hz)
            level_dbm = 10 * np.log10(np.maximum(power_mw, 1e-30))
            offset_hz = np.zeros(bins_hz.shape)
        samples = max(1, int(plan.point_time_s * plan.rbw_hz / substeps))
        detector = plan.detector
        if plan.smoothing > 1 and detector == "sample":
            # A video filter narrower than the resolution filter averages the logarithm.
            detector, samples = "average", min(samples, plan.smoothing)
        return self.model.dwell_reading_dbm(
            level_dbm, bins_hz, offset_hz, plan.rbw_hz, detector, samples, plan.attenuation_db
        )

    def _ambient(self) -> list[tuple[float, float]]:
        """Outside transmitters that the resolution filter lets through somewhere."""
        beyond_hz = 3 * self.plan.rbw_hz
        return self.feed.ambient(self.plan.first_hz - beyond_hz, self.plan.last_hz + beyond_hz)

    def _compressed(self, level_dbm: FloatArray) -> FloatArray:
        """Readings of a mixer in compression: 1 dB low at its compression point, then level."""
        over_db = level_dbm - self.plan.mixer_limit_dbm
        return np.asarray(level_dbm - 10 * np.log10(1 + _COMPRESSED * 10 ** (over_db / 10)))


def _through_filter_mw(
    level_dbm: float | FloatArray, offset_hz: FloatArray, rbw_hz: float
) -> FloatArray:
    """Power behind a gaussian filter, 3 dB down at half its bandwidth."""
    loss_db = 10 * np.log10(2.0) * (2 * offset_hz / rbw_hz) ** 2
    return np.asarray(10 ** ((np.maximum(level_dbm - loss_db, SILENCE_DBM)) / 10))
