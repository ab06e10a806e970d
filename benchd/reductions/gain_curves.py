"""Results at single frequencies and over a band, and the curve: for all reductions to a gain."""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import replace

import numpy as np

from benchd.bench import Bench
from benchd.curves import Curve
from benchd.errors import ReductionRefused
from benchd.known.captures import BenchKnowledge
from benchd.reduce.band_extremes import Coherence
from benchd.reduce.gain_by_substitution import over_band
from benchd.reduce.weak_radiation import WEAK_DB, reach_of, weakened
from benchd.reductions.gain_settings import GainReduction
from benchd.reductions.outcome import Outcome, finished
from benchd.reductions.repeated_captures import curve
from benchd.results import Result
from benchd.traces import Capture, FloatArray

AtFrequency = Callable[[float], list[Result]]

NOTHING_UNREAD: FloatArray = np.empty(0)
SAME_FREQUENCY = 1e-7
"""Relative difference below which the end of a band and a reading count as at one frequency. It is
far smaller than the steps of any sweep, and far larger than the rounding of a number in a file."""


def gain_outcome(
    settings: GainReduction,
    test: Capture,
    used: list[Capture],
    at: AtFrequency,
    *,
    antenna: str | None,
    known: BenchKnowledge,
    step: str,
    more: Sequence[Result] = (),
    unread_hz: FloatArray = NOTHING_UNREAD,
) -> Outcome:
    """Results at the frequencies asked for, then mean, least and largest over the band.

    at: gives the results at one frequency; they may be of several antennas, each with its name.
    antenna: the name for results without one. step: the step's label, for error messages.
    more: results of another kind, passed on as they are.
    unread_hz: frequencies of the sweep at which a `hold` sweep never saw the source.
    """
    band = settings.band_hz
    assert band is not None, "a resolved reduction tells it"
    low_hz, high_hz = band.least, band.most
    grid = test.level.frequency_hz
    inside = _over(grid, low_hz, high_hz)
    if inside.size == 0:
        raise ReductionRefused(
            f"no point of the sweep lies between {low_hz / 1e6:.6g} and {high_hz / 1e6:.6g} MHz",
            where=step,
            advice="Widen the band, or measure with more points.",
        )
    unread = int(np.count_nonzero((unread_hz >= low_hz) & (unread_hz <= high_hz)))
    points = [at(float(frequency_hz)) for frequency_hz in inside]
    gathered: dict[tuple[str, str | None], list[Result]] = {}
    for result in (result for found in points for result in found):
        gathered.setdefault((result.quantity, result.antenna), []).append(result)
    ends_db = {
        key: (min(one.value for one in along), max(one.value for one in along))
        for key, along in gathered.items()
    }

    def honest(one: Result) -> Result:
        least_db, best_db = ends_db[one.quantity, one.antenna]
        if best_db - least_db < WEAK_DB:
            return one
        reach = _reach(known.bench, one.antenna or antenna, one.frequency_hz)
        return weakened(one, best_db - one.value, reach)

    results = [honest(result) for at_hz in settings.reported_hz for result in at(at_hz)]
    curves: list[Curve] = []
    for (quantity, name), plain in gathered.items():
        along = [honest(one) for one in plain]
        how = coherence(known.bench, test.route)
        results += [
            _named(one, name) for one in over_band(along, (low_hz, high_hz), how, unread=unread)
        ]
        curves.append(_curve(quantity, name, inside, along))
    return finished(antenna, used, [*results, *more], curves)


def _over(grid_hz: FloatArray, low_hz: float, high_hz: float) -> FloatArray:
    """Frequencies at which a band is evaluated: its two ends, and the readings between them.

    The ends count since a gain that falls towards one is least there, not at the last reading
    before it; it is interpolated between two readings. If the readings do not reach an end, the
    outermost reading is used for it. Empty if no reading lies in the band.
    """
    slack_hz = SAME_FREQUENCY * high_hz
    if not ((grid_hz >= low_hz - slack_hz) & (grid_hz <= high_hz + slack_hz)).any():
        return np.empty(0)
    ends = np.clip([low_hz, high_hz], grid_hz[0], grid_hz[-1])
    between = grid_hz[(grid_hz > ends[0] + slack_hz) & (grid_hz < ends[1] - slack_hz)]
    found = np.concatenate([ends[:1], between, ends[1:]])
    return np.asarray(found if ends[1] > ends[0] else ends[:1], dtype=np.float64)


def _reach(bench: Bench, antenna: str | None, at_hz: float | None) -> float:
    """See `reach_of`; 0 if the bench file states no range, or does not have the antenna."""
    box, known = bench.box, bench.antennas.get(antenna or "")
    if box is None or box.range_length_m is None or known is None or at_hz is None:
        return 0.0
    return reach_of(at_hz, known.largest_dimension_m, box.range_length_m)


def coherence(bench: Bench, route_name: str) -> Coherence:
    """How fast errors change over frequency on a route: from the box's size and the cables' delays.

    Each wall adds one reflected way between the antennas, longer than the direct one. A mismatch
    sends a wave back and forth between an antenna and the other end of its cable, or only the first
    joint. This time is taken 1.5 times as long, to allow for delays inside the antennas.
    """
    usual, box = Coherence(), bench.box
    excess_m = usual.excess_m
    if box is not None and box.range_length_m is not None:
        length_m, wide_m, high_m = box.inside_m
        range_m = min(box.range_length_m, length_m)
        ways = [math.hypot(range_m, edge) - range_m for edge in (wide_m, wide_m, high_m, high_m)]
        ways += [length_m - range_m] * 2
        excess_m = math.sqrt(sum(way**2 for way in ways) / len(ways))
    route = bench.routes[route_name]
    late_s = [
        sum(getattr(bench.fixtures.get(name), "delay_s", None) or 0.0 for name in way)
        for way in (route.out, route.back)
    ]
    known = [2.0 * one for one in late_s if one > 0.0]
    turn_s = (0.0, 1.5 * max(known)) if known else usual.turn_s
    return Coherence(excess_m, turn_s)


def _named(result: Result, antenna: str | None) -> Result:
    return replace(result, antenna=antenna)


def _curve(quantity: str, antenna: str | None, grid: FloatArray, along: list[Result]) -> Curve:
    values, low, high = (
        np.array([getattr(result, name) for result in along], dtype=float)
        for name in ("value", "low", "high")
    )
    return curve(quantity, grid, values, low=low, high=high, antenna=antenna)
