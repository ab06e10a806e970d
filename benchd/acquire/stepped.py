"""The stepped sweep: the source steps, the analyzer reads each point in zero span."""

from __future__ import annotations

import time
from collections import deque
from collections.abc import Callable, Sequence
from dataclasses import replace
from typing import Any

import numpy as np

from benchd.acquire.plan import Procedure, Sweep, SweepInstruments, grid_hz, power_mean_dbm
from benchd.acquire.readback import settings_read_back
from benchd.acquire.zeroing import zeroed
from benchd.sweeps import Refine, SweepPlan
from benchd.traces import FloatArray
from drivers.exchange import Batch, Exchange, Meanwhile, Progress, Series, Taken

NOISE_POINTS = 5
_SERIES_S = 0.1
"""For how long points are asked for in one go, s; then they are told of."""
_MOST_AT_ONCE = 64


def stepped_sweep(plan: SweepPlan, instruments: SweepInstruments) -> Procedure[Sweep]:
    """Read the level at every frequency of the grid; refine afterwards if the plan says so.

    Source and analyzer are tuned in one batch, so that both settle at the same time. The source
    answers when it has settled. The analyzer need not be asked, since it begins no sweep before it
    has settled; it gets its command first, so that it is ready when the source answers.
    Level and frequency are asked back before RF comes on and at the end. The point with the highest
    level is read again at the end.
    RF is switched on after the noise was read, and is left on: the caller switches it off and
    verifies it, also after an error.
    """
    source, analyzer = instruments.source, instruments.analyzer
    assert source is not None, "a stepped sweep needs a source; the worksheet guarantees one"
    grid = grid_hz(plan)
    noise_hz, noise_dbm, flags = yield from made_ready(grid, plan, instruments)
    yield source.rf_on()
    total = plan.most_points
    level, scatter = yield from read_points(grid, plan, source, analyzer, 0, total)
    if isinstance(plan.refine, Refine):
        fine = refined_grid_hz(grid, level, plan.refine.span_hz, plan.refine.points)
        fine_level, fine_scatter = yield from read_points(
            fine, plan, source, analyzer, grid.size, total
        )
        grid, level, scatter = merged(grid, level, scatter, fine, fine_level, fine_scatter)
    sweep = Sweep(
        frequency_hz=grid,
        level_dbm=level,
        scatter_db=scatter if plan.average > 1 else None,
        noise_hz=noise_hz,
        noise_dbm=noise_dbm,
        flags=flags,
    )
    return (yield from ended(sweep, plan, instruments, total))


def ended(
    sweep: Sweep, plan: SweepPlan, instruments: SweepInstruments, total: int
) -> Procedure[Sweep]:
    """The checks at the end of a stepped sweep, with RF still on; returns it with what they found.

    total: points that the sweep had, for who looks on.
    """
    source, analyzer = instruments.source, instruments.analyzer
    # The highest point is read once more: if the path broke during the sweep, it is lower now.
    strongest = sweep.frequency_hz[[int(np.argmax(sweep.level_dbm))]]
    again, _ = yield from read_points(strongest, plan, source, analyzer, total, total, shown=False)
    status = yield status_query(analyzer)
    yield from source_read_back(source, plan, float(strongest[0]))
    yield Progress(total, total)
    flags = (*status_flags(status), *sweep.flags)
    return replace(sweep, again_dbm=float(again[0]), flags=flags)


def made_ready(
    grid: FloatArray, plan: SweepPlan, instruments: SweepInstruments
) -> Procedure[tuple[FloatArray, FloatArray, tuple[str, ...]]]:
    """Set everything up for the first frequency and read the noise; RF stays off.

    Returns the frequencies (Hz) and levels (dBm) of the noise, and the flags of the readback.
    """
    source, analyzer = instruments.source, instruments.analyzer
    assert source is not None, "a stepped sweep needs a source; the worksheet guarantees one"
    yield from prepare_points(plan, analyzer)
    if instruments.zero is not None:
        yield from zeroed(analyzer, instruments.zero, float(grid[0]))
    count = min(NOISE_POINTS, grid.size)
    noise_hz = np.unique(np.round(np.linspace(float(grid[0]), float(grid[-1]), count)))
    yield (source.set_level(plan.level_dbm),)
    noise_dbm = yield from _read_noise(noise_hz, plan, instruments)
    yield (source.set_frequency_settled(float(grid[0])),)
    # Asked before RF comes on: if the source has ignored the level, it may be far too high.
    flags = yield from source_read_back(source, plan, float(grid[0]))
    return noise_hz, noise_dbm, flags


def source_read_back(
    source: Any, plan: SweepPlan, frequency_hz: float
) -> Procedure[tuple[str, ...]]:
    """Ask the source for its level and frequency. Raises InstrumentRefused where they differ."""
    return settings_read_back(
        source.level_setting(plan.level_dbm), source.frequency_setting(frequency_hz)
    )


def prepare_points(plan: SweepPlan, analyzer: Any) -> Procedure[None]:
    """Set the analyzer up for single readings in zero span."""
    yield analyzer.prepare_point_mode(
        resolution_bandwidth_hz=plan.resolution_bandwidth_hz,
        video_bandwidth_hz=plan.video_bandwidth_hz,
        detector=plan.detector,
        dwell_s=plan.dwell_s,
        reference_level_dbm=plan.reference_level_dbm,
        attenuation_db=plan.attenuation_db,
    )


def status_query(analyzer: Any) -> tuple[Exchange, ...]:
    """The query of the analyzer's questionable-status register; empty if it has none."""
    return (analyzer.status(),) if analyzer.has("status") else ()


def status_flags(replies: Sequence[Any]) -> tuple[str, ...]:
    """The analyzer's questionable status as flags, from the replies to `status_query`."""
    flags = []
    for status in replies:
        if status.overload:
            flags.append("overload")
        if status.uncalibrated:
            flags.append("uncalibrated")
    return tuple(flags)


def _read_noise(
    noise_hz: FloatArray, plan: SweepPlan, instruments: SweepInstruments
) -> Procedure[FloatArray]:
    """The reading with RF off at each frequency, power mean over some repeats, dBm.

    The source is tuned there too: if it radiates although it reports "off", the reading shows it.
    """
    source, analyzer, zero = instruments.source, instruments.analyzer, instruments.zero
    assert source is not None
    repeats = max(4, plan.average)
    readings = np.empty((repeats, noise_hz.size))
    for index, frequency_hz in enumerate(noise_hz.tolist()):
        tuning = (
            analyzer.set_centre_settled(frequency_hz),
            source.set_frequency_settled(frequency_hz),
        )
        _, *read = yield Series([tuning, *[(analyzer.trigger_point(),)] * repeats])
        readings[:, index] = [level for (level,) in read]
    if plan.detector == "power":
        # A power meter's noise lies around zero, so its size is the root mean square. It is taken
        # to be at least as large as the drift of the zero until it is zeroed again.
        size_dbm = 0.5 * power_mean_dbm(2.0 * readings)
        return np.maximum(size_dbm, -np.inf if zero is None else zero.drift_dbm)
    return power_mean_dbm(readings)


def read_points(
    grid: FloatArray,
    plan: SweepPlan,
    source: Any,
    analyzer: Any,
    done: int,
    total: int,
    *,
    goes_on: Callable[[], bool] | None = None,
    shown: bool = True,
) -> Procedure[tuple[FloatArray, FloatArray]]:
    """Level and scatter over the grid. The inner loop of every stepped sweep.

    goes_on: called before each point; once it returns False, only the points so far are returned.
    shown: whether the points are reported while the sweep runs, some at a time.
    """
    readings = np.empty((plan.average, grid.size))
    series = _SeriesOfPoints(grid, plan, source, analyzer)
    first = 0
    while first < grid.size:
        if goes_on is not None and not goes_on():
            readings, grid = readings[:, :first], grid[:first]
            break
        coming = series.take()
        yield Meanwhile(series.make)
        began_s = time.perf_counter()
        answers = yield coming
        beyond = first + len(answers) // series.batches_a_point
        if goes_on is None:
            series.pace(beyond - first, time.perf_counter() - began_s)
        for index in range(first, beyond):
            _, *read = answers[(index - first) * series.batches_a_point :][: series.batches_a_point]
            readings[:, index] = [level for (level,) in read]
        new = slice(first, beyond)
        so_far = readings[0, new] if plan.average == 1 else power_mean_dbm(readings[:, new])
        taken = Taken(grid[new], so_far) if shown else None
        yield Progress(done + beyond - 1, total, taken=taken)
        first = beyond
    if plan.average == 1:
        return readings[0], np.zeros(grid.size)
    return power_mean_dbm(readings), np.std(readings, axis=0, ddof=1)


class _SeriesOfPoints:
    """The batches of some points at a time: tune both instruments, then read as often as is asked.

    The next ones are made while the instruments settle, since between two readings both would wait
    for it.
    """

    def __init__(self, grid: FloatArray, plan: SweepPlan, source: Any, analyzer: Any) -> None:
        self.batches_a_point = 1 + plan.average
        self._source, self._analyzer, self._at_once = source, analyzer, 1
        self._left: deque[float] = deque(grid.tolist())
        self._readings: list[Batch] = [(analyzer.trigger_point(),)] * plan.average
        self._made: Series | None = None

    def make(self) -> None:
        """Make the next ones, unless they are made."""
        if self._made is not None:
            return
        batches: list[Batch] = []
        for _ in range(min(self._at_once, len(self._left))):
            frequency_hz = self._left.popleft()
            settled = self._source.set_frequency_settled(frequency_hz)
            batches += [(self._analyzer.set_centre(frequency_hz), settled), *self._readings]
        self._made = Series(batches)

    def pace(self, points: int, taken_s: float) -> None:
        """Points took so long, s: choose how many are asked for in one go from now on."""
        most = int(_SERIES_S * points / max(taken_s, 1e-6))
        self._at_once = max(1, min(most, _MOST_AT_ONCE))

    def take(self) -> Series:
        """The next ones."""
        self.make()
        taken, self._made = self._made, None
        assert taken is not None
        return taken


def refined_grid_hz(
    grid: FloatArray, level_dbm: FloatArray, span_hz: float, points: int
) -> FloatArray:
    """Frequencies around the lowest smoothed level, new ones only, shape (<= points,), Hz."""
    kernel = np.ones(3) / 3.0
    smoothed = np.convolve(np.pad(level_dbm, 1, mode="edge"), kernel, mode="valid")
    centre = float(grid[int(np.argmin(smoothed))])
    low = max(float(grid[0]), centre - span_hz / 2.0)
    high = min(float(grid[-1]), centre + span_hz / 2.0)
    return np.setdiff1d(np.round(np.linspace(low, high, points)), grid)


def merged(
    grid: FloatArray,
    level: FloatArray,
    scatter: FloatArray,
    fine: FloatArray,
    fine_level: FloatArray,
    fine_scatter: FloatArray,
) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Two grids with their levels and scatters as one, by rising frequency."""
    frequency = np.concatenate((grid, fine))
    order = np.argsort(frequency)
    return (
        frequency[order],
        np.concatenate((level, fine_level))[order],
        np.concatenate((scatter, fine_scatter))[order],
    )
