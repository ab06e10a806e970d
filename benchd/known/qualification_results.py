"""Looking up what qualifications have measured of this bench. It goes before the bench file.

A qualification result is used if the parts that it concerns are described in the same way as they
were for the capture to be reduced. A part whose description has changed since may be another part,
and then the bench file is the newer source. The result must also be older than the capture, so
that reducing again later gives the same numbers.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass

import numpy as np

from benchd.errors import UnknownId
from benchd.known.archive import Archive
from benchd.quantities import Feeds
from benchd.quantities import quantity as row
from benchd.reduce.budget_inputs import Known
from benchd.reduce.decibels import NEPER_DB
from benchd.reduce.leak import LARGEST_SPREAD
from benchd.results import Result, ResultRecord
from benchd.traces import Capture

REPEATABILITY = "repeatability_spread"
BOX_SPREAD = "box_gain_spread"
PATH_SPREAD = "box_path_spread"
DIRECTIVITY = "effective_directivity"
SOURCE_MATCH = "effective_source_match"
JOINT = "joint_reflection"

LEAST_FREEDOM = 0.5 / LARGEST_SPREAD**2
"""Fewest degrees of freedom that a measured size is given. They belong to a size of which only the
range is known: see `leak.LARGEST_SPREAD`."""

LOOKED_AT = 2000
BEYOND = 0.1
"""How far beyond its end frequencies a measured curve may be used, as a fraction of them: couplers,
connectors and boxes change slowly over frequency (common practice, no source)."""


@dataclass(frozen=True)
class MeasuredCurve:
    """One qualified quantity over frequency, dB, from one reduction.

    freedom: degrees of freedom of each value; infinity if its result states none.
    """

    frequency_hz: tuple[float, ...]
    values: tuple[float, ...]
    freedom: tuple[float, ...]

    def covers(self, low_hz: float, high_hz: float) -> bool:
        """True if the curve can be used over the whole band."""
        ends = self.frequency_hz
        return ends[0] * (1.0 - BEYOND) <= low_hz and high_hz <= ends[-1] * (1.0 + BEYOND)

    def at(self, frequency_hz: float) -> Known:
        """The value at one frequency, between two of them by a straight line."""
        value = float(np.interp(frequency_hz, self.frequency_hz, self.values))
        return Known(value, degrees_of_freedom=self._freedom(frequency_hz, frequency_hz))

    def leak_near(self, at_hz: float, line: Known) -> tuple[Known, tuple[float, float] | None]:
        """A leak (dB below a full reflection) near one frequency, and the band it stands for.

        line: one-way delay T between coupler and port, s. A leak behind such a line ripples over
        frequency with a period of 1/(2 T). Within an eighth of a period from a measured frequency
        the measured value is used. Else the ripple makes single values useless, and the root mean
        square over the n measured neighbours is used. Its degrees of freedom are 2 n (power of a
        sum of phasors).
        """
        grid = np.array(self.frequency_hz)
        period_hz = 1.0 / (2.0 * line.value) if line.value > 0.0 else math.inf
        if np.min(np.abs(grid - at_hz)) <= period_hz / 8.0:
            return self.at(at_hz), None
        away = np.abs(grid - at_hz)
        used = away <= max(period_hz, float(np.sort(away)[min(2, grid.size - 1)]))
        power = np.mean(10.0 ** (-np.array(self.values)[used] / 10.0))
        ends_hz = (min(at_hz, float(grid[used][0])), max(at_hz, float(grid[used][-1])))
        freedom = min(*np.array(self.freedom)[used], 2.0 * float(np.count_nonzero(used)))
        return Known(-10.0 * math.log10(power), degrees_of_freedom=freedom), ends_hz

    def least(self, low_hz: float, high_hz: float) -> Known:
        """The smallest value over a band."""
        return Known(
            min(self._over(low_hz, high_hz)), degrees_of_freedom=self._freedom(low_hz, high_hz)
        )

    def rms(self, low_hz: float, high_hz: float) -> Known:
        """Root mean square over a band: one standard deviation for all of the band."""
        value = math.sqrt(float(np.mean(np.square(self._over(low_hz, high_hz)))))
        return Known(value, degrees_of_freedom=self._freedom(low_hz, high_hz))

    def _over(self, low_hz: float, high_hz: float) -> list[float]:
        grid = [low_hz, high_hz, *(f for f in self.frequency_hz if low_hz < f < high_hz)]
        return [float(np.interp(f, self.frequency_hz, self.values)) for f in grid]

    def _freedom(self, low_hz: float, high_hz: float) -> float:
        grid = np.array(self.frequency_hz)
        first = max(0, int(np.searchsorted(grid, low_hz)) - 1)
        last = min(grid.size - 1, int(np.searchsorted(grid, high_hz)))
        return min(self.freedom[first : last + 1])


def newest(archive: Archive | None, quantity: str, test: Capture, part: str = "") -> Known | None:
    """One value for the band of `test` from the newest fitting qualification; None without one.

    For directivity, source match and joints it is the smallest value in the band (the worst case).
    For a spread it is the root mean square.

    part: key of the fixture hash that must agree (`box`); without it, those of the whole route.
    """
    grid = test.level.frequency_hz
    low_hz, high_hz = float(grid[0]), float(grid[-1])
    curve = newest_curve(archive, quantity, test, part)
    if curve is None or not curve.covers(low_hz, high_hz):
        return None
    if row(quantity).feeds is Feeds.SIZE:
        return curve.least(low_hz, high_hz)
    return curve.rms(low_hz, high_hz)


def newest_curve(
    archive: Archive | None,
    quantity: str,
    test: Capture,
    part: str = "",
    suits: Callable[[ResultRecord], bool] | None = None,
) -> MeasuredCurve | None:
    """All values of the newest reduction that fits, or None. Arguments as of `newest_records`."""
    found = [] if archive is None else newest_records(archive, quantity, test, part, suits)
    return _curve(found) if found else None


def newest_records(
    archive: Archive,
    quantity: str,
    test: Capture,
    part: str = "",
    suits: Callable[[ResultRecord], bool] | None = None,
) -> list[ResultRecord]:
    """The results of the newest reduction that fits; empty where none does.

    suits: a further condition on a result, such as the antennas that it was measured with.
    """
    records = [
        record
        for record in archive.results(quantity=quantity, bench=test.bench, limit=LOOKED_AT)
        if record.reduced_at <= test.taken_at
        and record.result.frequency_hz is not None
        and math.isfinite(record.result.value)
    ]
    for key in dict.fromkeys((record.job_id, record.step) for record in records):
        group = [record for record in records if (record.job_id, record.step) == key]
        if (suits is None or suits(group[0])) and _fits(archive, group[0], test, part):
            return group
    return []


def _curve(records: list[ResultRecord]) -> MeasuredCurve:
    rows = sorted(
        (float(record.result.frequency_hz or 0.0), *_size_and_freedom(record.result))
        for record in records
    )
    frequencies, values, freedom = zip(*rows, strict=True)
    return MeasuredCurve(frequencies, values, freedom)


def _size_and_freedom(result: Result) -> tuple[float, float]:
    """A measured size in dB, and its degrees of freedom, which tell how well it is known.

    A standard deviation has as many as there were repeats, less one. Another size has 1/(2 r^2),
    with r its relative standard uncertainty (JCGM 100, G.4.2), but at least LEAST_FREEDOM: with a
    load that reflects nearly as much as the coupler leaks, little is learnt of the leak. If the
    interval has no upper end in dB, only a limit was measured: the lower end (the largest
    possible size) is then taken.
    """
    budget = result.budget
    if budget is None:
        return result.value, math.inf
    # A small relative change of a size is 8.686 dB times that change (20 lg e = 8.686).
    if row(result.quantity).feeds is not Feeds.SIZE or budget.standard <= 0.0:
        return result.value, budget.degrees_of_freedom
    if result.high is None and result.low is not None:
        return result.low, math.inf
    relative = budget.standard / NEPER_DB
    return result.value, min(budget.degrees_of_freedom, max(LEAST_FREEDOM, 0.5 / relative**2))


def _fits(archive: Archive, record: ResultRecord, test: Capture, part: str) -> bool:
    """Whether it was measured on the same parts. False for a result without captures, since these
    hold the descriptions of the parts."""
    for capture_id in record.result.captures[:1]:
        try:
            capture = archive.capture(capture_id)
        except UnknownId:
            return False
        if part:
            here = test.fixtures.get(part)
            return here is not None and capture.fixtures.get(part) == here
        return capture.route == test.route and capture.fixtures == test.fixtures
    return False
