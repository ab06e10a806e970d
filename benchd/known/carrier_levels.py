"""The carrier's level behind each reading of a capture, and the standard deviation of that level.

Every stepped capture also holds the analyzer's noise with RF off (trace `noise`). Where it
averages, it holds the standard deviation of its single readings (trace `scatter`). From the noise
follows how much the detector reads too high or too low near it, and that bias is removed. The
standard uncertainty of a level is the larger of what theory gives and what the trace shows.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import replace
from functools import wraps
from typing import TypeVar
from weakref import WeakKeyDictionary

import numpy as np

from benchd.bench import Bench, Route
from benchd.bench.instruments import PowerMeterInstrument
from benchd.errors import ReductionRefused
from benchd.reduce.budget_inputs import Known
from benchd.reduce.decibels import db_from_power_ratio, power_ratio_from_db
from benchd.reduce.near_noise import straightened_dbm
from benchd.reduce.noise import (
    DB_PER_NAT,
    EULER,
    carrier_level_dbm,
    correction_standard_db,
    reading_standard_db,
)
from benchd.reduce.reflection import NEAR_NOISE_DB
from benchd.reduce.uneven import roughness_db
from benchd.traces import Capture, FloatArray, Form, Trace

T = TypeVar("T")

NEAR_NOISE = "near-noise"

HELD_OFF, HELD_HALF = 0.5, 0.6
"""As shares of the held noise's amplitude: how much it adds to a held reading, and the half-width
of the error of that estimate (see `held_bias_db`)."""

LEAST_FOR_ROUGHNESS = 41
"""Fewest points in a trace for its roughness from point to point to count as noise. With fewer, the
shape of the curve itself looks rough."""

UNSTATED_HARMONICS_DB = 30.0
"""How far harmonics lie below the carrier, dB, if the bench file does not state it: what makers of
plain sources promise (common practice, no source)."""

LEAST_NOISE_SPREAD = 1e-5
"""Readings of noise whose relative variance is below this differ only by rounding."""

CORRECTED_BELOW_DB = {"rms": 40.0, "log-average": 15.0, "power": -math.inf}
"""Detector -> distance from the noise, dB, beyond which the bias is under 0.0005 dB and is not
corrected."""


def _once_a_capture(told: Callable[[Capture], T]) -> Callable[[Capture], T]:
    """A capture never changes, so what is told of it as a whole is worked out once and remembered
    as long as the capture is. A budget asks for it at every frequency."""
    found: WeakKeyDictionary[Capture, T] = WeakKeyDictionary()

    @wraps(told)
    def remembered(capture: Capture) -> T:
        if capture not in found:
            found[capture] = told(capture)
        return found[capture]

    return remembered


def law(capture: Capture) -> str | None:
    """The detector's averaging law by its name in `benchd.reduce.noise`; None for a peak detector.

    Repeats are averaged as powers, so several single samples behave as an rms detector does.
    """
    detector = capture.settings.detector
    if detector == "sample":
        return "rms" if capture.settings.average > 1 else "log-average"
    return detector if detector in ("rms", "log-average", "power") else None


@_once_a_capture
def noise_power_dbm(capture: Capture) -> float | None:
    """Noise power in the resolution bandwidth, or None where it was not read.

    Mean power over the frequencies at which it was read. A log-average reads noise 2.507 dB low.
    """
    noise = capture.trace("noise")
    if noise is None:
        return None
    powers = power_ratio_from_db(noise.decibels)
    reading = float(db_from_power_ratio(float(np.mean(powers))))
    is_low = capture.settings.detector == "log-average"
    return reading + DB_PER_NAT * EULER if is_low else reading


def scale_of(capture: Capture, analyzer: str) -> str:
    """Name of the analyzer's scale error, the same in every capture of this one analyzer.

    Errors of one name are one and the same error, and cancel when results are compared.
    """
    return f"linearity of {capture.instruments.get(analyzer, analyzer)}"


def independent_samples(capture: Capture) -> float:
    """Number of independent samples averaged in one point: those of one reading times repeats."""
    return float(_samples_of_one(capture) * capture.settings.average)


def _samples_of_one(capture: Capture) -> float:
    """Number of independent samples in one reading, at least 1: bandwidth times dwell.

    The output of a filter of bandwidth B is independent again after about 1/B (sampling of
    band-limited noise; common practice, no source). In a `tracking` sweep the analyzer itself
    chooses how long it stays at a point. That time is then found from how much its noise readings
    differ in one such sweep. The mean of n powers of noise has the relative standard deviation
    1/sqrt(n); the mean of n noise levels in dB has 5.57 dB/sqrt(n) (the exponential law and its
    logarithm, arithmetic).
    """
    settings, noise = capture.settings, _noise_trace(capture)
    if settings.detector == "power":
        return 1.0  # the noise that was read is already that of one reading
    if settings.method != "tracking":
        return float(max(1.0, settings.resolution_bandwidth_hz * settings.dwell_s))
    if noise is None or noise.values.size < 2:
        return 1.0
    read_dbm = noise.decibels
    if law(capture) == "log-average":
        share = float(np.var(read_dbm, ddof=1)) / (DB_PER_NAT * math.pi / math.sqrt(6.0)) ** 2
    else:
        powers = power_ratio_from_db(read_dbm)
        share = float(np.var(powers, ddof=1) / np.mean(powers) ** 2)
    return 1.0 / min(1.0, max(share, LEAST_NOISE_SPREAD))


def carrier_dbm(capture: Capture) -> FloatArray:
    """Levels with the bias of the noise removed by the detector's law, shape (n,), dBm.

    Where noise scatters the readings much, the correction uses the mean power of neighbouring
    readings: see `benchd.reduce.near_noise`. Such captures are also flagged: see `noise_flags`.
    """
    level = capture.level.decibels
    if is_held(capture):
        return level + held_bias_db(capture)
    noise_dbm, detector = noise_power_dbm(capture), law(capture)
    if noise_dbm is None or detector is None:
        return level
    read, samples = level.copy(), independent_samples(capture)
    for index in np.flatnonzero(level - noise_dbm < CORRECTED_BELOW_DB[detector]):
        straight = None
        if read[index] - noise_dbm < NEAR_NOISE_DB:
            straight = straightened_dbm(
                read, noise_dbm, detector, samples, int(index), capture.level.frequency_hz
            )
        if straight is None:
            straight = _corrected_dbm(float(read[index]), noise_dbm, detector)
        level[index] = straight
    return level


def carrier_trace(capture: Capture) -> Trace:
    """The level of a capture as a trace with the bias of the noise removed.

    Noise adds to the power of a baseline, too. A baseline 10 dB above the noise reads 0.4 dB too
    high, and every reflection over it is then too small by as much: band edges lay 5 MHz too far
    out (docs/coverage.md). Held maxima are left as they are: a baseline's and an antenna's contain
    the greatest noise alike.
    """
    level = capture.level
    if level.form is not Form.LEVEL_DBM or is_held(capture):
        return level
    return Trace(level.name, level.form, level.frequency_hz, carrier_dbm(capture), level.visited)


def is_held(capture: Capture) -> bool:
    """True if the analyzer held the maxima of its readings, so that it held those of noise too."""
    return capture.settings.method == "hold" and _noise_trace(capture) is not None


def held_bias_db(capture: Capture) -> FloatArray:
    """Correction of held maxima for noise, dB, to be added to them (negative), shape (n,).

    The greatest of many |carrier + noise| is the carrier plus the greatest noise in phase with it.
    The capture's held noise n is the greatest noise amplitude of any phase, of some hundreds of
    readings. How many readings fell on the carrier is not known. Of five, the greatest noise in
    phase is 0.35 n, give or take 0.2 n; of very many it is nearly n (order statistics of the normal
    law and of Rayleigh's law, arithmetic).
    So 0.5 n is subtracted, and 0.6 n is the half-width of the remaining error (`level_sd_db`).
    Where n is more than half of a reading, half of the reading is used for n.
    """
    return np.asarray(20.0 * np.log10(1.0 - HELD_OFF * _held_share(capture)), dtype=np.float64)


def _held_share(capture: Capture) -> FloatArray:
    """Ratio of the held noise to each held reading, as amplitudes, limited to 0.5."""
    noise = _noise_trace(capture)
    assert noise is not None
    level = capture.level.decibels
    here = np.interp(capture.level.frequency_hz, noise.frequency_hz, noise.decibels)
    return np.asarray(np.minimum(10.0 ** ((here - level) / 20.0), 0.5), dtype=np.float64)


def _held_sd_db(capture: Capture, at_hz: float | None) -> Known:
    """Standard deviation (dB) of held maxima from noise, of a rectangular distribution.

    It is relative to the carrier r - 0.5 n (reading r, held noise n). The error is the same at
    neighbouring points, so interpolating between them does not make it smaller.
    """
    shares = _held_share(capture)
    grid = capture.level.frequency_hz
    share = float(np.median(shares) if at_hz is None else np.interp(at_hz, grid, shares))
    half = HELD_HALF * share / (1.0 - HELD_OFF * share)
    return Known(2.0 * DB_PER_NAT * half / math.sqrt(3.0))


def _noise_trace(capture: Capture) -> Trace | None:
    return capture.trace("noise")


def only_visited(captures: Sequence[Capture]) -> list[Capture]:
    """The captures cut down to the bins in which every `hold` sweep saw the source.

    Raises ReductionRefused where fewer than two are left.
    """
    masks = [one.level.visited for one in captures]
    if all(mask is None or bool(mask.all()) for mask in masks):
        return list(captures)
    grid = captures[0].level.frequency_hz
    seen = np.ones(grid.shape, dtype=bool)
    for one, mask in zip(captures, masks, strict=True):
        if mask is not None:
            at = np.interp(grid, one.level.frequency_hz, mask.astype(float))
            seen &= at > 1.0 - 1e-9
    if int(seen.sum()) < 2:
        raise ReductionRefused(
            f"the source was seen in {int(seen.sum())} of {grid.size} bins of every capture",
            advice="Hold longer, or let the source rest longer at each frequency.",
        )
    return [_cut(one, grid[seen]) for one in captures]


def _cut(capture: Capture, grid_hz: FloatArray) -> Capture:
    """The capture with its traces cut down to some of its frequencies; its noise stays whole."""
    traces = []
    for trace in capture.traces:
        kept = np.isclose(trace.frequency_hz[:, np.newaxis], grid_hz, rtol=1e-12).any(axis=1)
        if trace.name == "noise" or not kept.any():
            traces.append(trace)
            continue
        visited = None if trace.visited is None else trace.visited[kept]
        traces.append(
            replace(
                trace,
                axis=trace.frequency_hz[kept],
                values=trace.values[kept],
                visited=visited,
            )
        )
    return replace(capture, traces=tuple(traces))


def _corrected_dbm(reading_dbm: float, noise_dbm: float, detector: str) -> float:
    if reading_dbm - noise_dbm >= CORRECTED_BELOW_DB[detector]:
        return reading_dbm
    carrier = carrier_level_dbm(reading_dbm, noise_dbm, detector)
    return carrier if math.isfinite(carrier) else reading_dbm


def noise_flags(capture: Capture, at_hz: float | None = None) -> tuple[str, ...]:
    """`near-noise` if the carrier lies within 10 dB of the noise: at `at_hz`, or without it at any
    frequency of the sweep."""
    noise_dbm = noise_power_dbm(capture)
    if noise_dbm is None:
        return ()
    level = capture.level.decibels
    if at_hz is not None:
        level = np.array([np.interp(at_hz, capture.level.frequency_hz, level)])
    return (NEAR_NOISE,) if float(level.min()) - noise_dbm < NEAR_NOISE_DB else ()


def level_sd_db(
    capture: Capture, at_hz: float | None = None, *, neighbours: int = 0
) -> Known | None:
    """Standard deviation (dB) of one level, at one frequency or over the sweep; None if unknown.

    neighbours: number of readings to either side whose mean power tells the distance to the noise.
        A single reading that noise has made small by chance would seem less certain than those
        beside it. It would then get less weight, and weighted means would come out too high.

    It is the largest of three: theory, from the distance to the noise; the scatter of the repeats;
    and the roughness of the trace, which also shows a moving person or a crackling line. Between
    two points a level is interpolated, which averages both: halfway, 0.71 of the standard deviation
    of one point is left.
    """
    share = 1.0 if at_hz is None else _share_of_two(capture.level.frequency_hz, at_hz)
    theory, seen = _theory(capture, at_hz, share, neighbours), seen_sd_db(capture)
    found = [] if theory is None else [theory]
    if seen is not None:
        found.append(replace(seen, value=seen.value * share))
    return max(found, key=lambda one: one.value) if found else None


def _share_of_two(grid_hz: FloatArray, at_hz: float) -> float:
    """Standard deviation of an interpolated value divided by that of one point.

    It is the root of the sum of the squared weights of the two points.
    """
    right = int(np.searchsorted(grid_hz, at_hz))
    if right in (0, grid_hz.size):
        return 1.0
    weight = (at_hz - grid_hz[right - 1]) / (grid_hz[right] - grid_hz[right - 1])
    return math.hypot(weight, 1.0 - weight)


@_once_a_capture
def seen_sd_db(capture: Capture) -> Known | None:
    """Standard deviation (dB) that the trace itself shows: by the scatter of its repeats, or by its
    roughness over frequency."""
    level, grid = capture.level.decibels, capture.level.frequency_hz
    found = []
    repeats = capture.settings.average
    scatter = capture.trace("scatter")
    if scatter is not None and repeats > 1:
        spread = float(np.sqrt(np.mean(scatter.decibels**2) / repeats))
        freedom = float((repeats - 1) * level.size)
        found.append(Known(spread, degrees_of_freedom=freedom))
    if level.size >= LEAST_FOR_ROUGHNESS:
        # The roughness is a median of about n/2 independent differences, which has about n/4
        # degrees of freedom.
        found.append(Known(roughness_db(level, grid), degrees_of_freedom=level.size / 4.0))
    return max(found, key=lambda one: one.value) if found else None


def _theory(capture: Capture, at_hz: float | None, share: float, neighbours: int) -> Known | None:
    """Standard deviation (dB) by theory, from the distance to the noise.

    The error of the noise level makes the same error at all frequencies: it is not averaged.
    """
    if is_held(capture):
        return _held_sd_db(capture, at_hz)
    noise_dbm, detector = noise_power_dbm(capture), law(capture)
    if noise_dbm is None or detector is None:
        return None
    level = capture.level.decibels
    read = (
        float(np.median(level))
        if at_hz is None
        else float(np.interp(at_hz, capture.level.frequency_hz, level))
    )
    if at_hz is not None and neighbours and read - noise_dbm < NEAR_NOISE_DB:
        read = _mean_power_dbm(capture.level.frequency_hz, level, at_hz, neighbours)
    here = _corrected_dbm(read, noise_dbm, detector)
    distance_db = max(here - noise_dbm, -10.0)
    sd_db = reading_standard_db(distance_db, detector, independent_samples(capture))
    common_db = correction_standard_db(distance_db, detector, noise_floor_sd_db(capture))
    freedom = math.inf
    if capture.settings.method == "tracking":
        freedom = float(max(1, _readings_of_noise(capture) - 1))
    return Known(math.hypot(sd_db * share, common_db), degrees_of_freedom=freedom)


def _mean_power_dbm(
    grid_hz: FloatArray, level_dbm: FloatArray, at_hz: float, neighbours: int
) -> float:
    """Mean power, in dBm, of the reading nearest to a frequency and of its neighbours."""
    nearest = int(np.argmin(np.abs(grid_hz - at_hz)))
    beside = level_dbm[max(0, nearest - neighbours) : nearest + neighbours + 1]
    return float(db_from_power_ratio(float(np.mean(power_ratio_from_db(beside)))))


def _readings_of_noise(capture: Capture) -> int:
    noise = _noise_trace(capture)
    return 0 if noise is None else int(noise.values.size)


def harmonics(bench: Bench, route: Route) -> Known | None:
    """Power that the source's harmonics add to a reading, relative to the carrier's (linear).

    None if the route ends in an instrument that selects by frequency, since that does not see them.
    Couplers and cables may pass a harmonic better than the carrier: twice as much power is allowed
    for (common practice, no source). If the bench file states no harmonics, they are assumed to lie
    30 dB below the carrier.
    """
    if not isinstance(bench.analyzer_of(route), PowerMeterInstrument):
        return None
    stated = getattr(bench.source_of(route), "harmonics_db", None)
    below_db = UNSTATED_HARMONICS_DB if stated is None else stated
    return Known(2.0 * power_ratio_from_db(-below_db), assumed=stated is None)


def noise_floor_sd_db(capture: Capture) -> float:
    """Standard deviation of the noise power that a capture shows, dB; 0 where it was not read.

    The noise was read at m frequencies: once each by `tracking`, else at least four times each. A
    mean of n independent powers of noise has the relative standard deviation 1/sqrt(n).
    """
    readings = _readings_of_noise(capture)
    if readings == 0:
        return 0.0
    if law(capture) == "power":
        # After zeroing, a power meter's zero is wrong by no more than its noise in the trace.
        return DB_PER_NAT / math.sqrt(3.0)
    tracking = capture.settings.method == "tracking"
    repeats = 1.0 if tracking else max(4.0, capture.settings.average)
    return DB_PER_NAT / math.sqrt(readings * repeats * _samples_of_one(capture))
