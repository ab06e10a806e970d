"""A gain at single frequencies and over a band, with its curve: shared by all ways to a gain."""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import replace
from typing import Any

import numpy as np

from benchd.bench import Bench
from benchd.errors import ReductionRefused
from benchd.reduce.extremes import Coherence
from benchd.reduce.transfer import over_band
from benchd.reduce.weak import WEAK_DB, reach_of, weakened
from benchd.reductions.outcome import Outcome, finished
from benchd.results import Result
from benchd.traces import Capture, FloatArray, Form, Trace
from benchd.worksheet import ReduceStep

AtFrequency = Callable[[float], list[Result]]

SAME_FREQUENCY = 1e-7
"""Share of a frequency within which an end of a band and a reading are at one frequency: far finer
than any sweep, far coarser than what rounding a number in a file changes."""


def gain_outcome(
    step: ReduceStep,
    test: Capture,
    used: list[Capture],
    at: AtFrequency,
    *,
    antenna: str | None,
    bench: Bench,
    more: Sequence[Result] = (),
) -> Outcome:
    """Results at the frequencies asked for, then mean, least and largest over the band.

    at: results at one frequency; several antennas may stand in it, told apart by their name.
    antenna: the name for results that carry none of their own. more: results of another kind.
    """
    options: dict[str, Any] = step.options
    low_hz, high_hz = options["band_hz"]
    grid = test.level.frequency_hz
    inside = _over(grid, low_hz, high_hz)
    if inside.size == 0:
        raise ReductionRefused(
            f"no point of the sweep lies between {low_hz / 1e6:.6g} and {high_hz / 1e6:.6g} MHz",
            where=step.label,
            advice="Widen the band, or measure with more points.",
        )
    points = [at(float(frequency_hz)) for frequency_hz in inside]
    gathered: dict[tuple[str, str | None], list[Result]] = {}
    for result in (result for found in points for result in found):
        gathered.setdefault((result.quantity, result.antenna), []).append(result)
    ends_db = {
        key: (min(one.value for one in curve), max(one.value for one in curve))
        for key, curve in gathered.items()
    }

    def honest(one: Result) -> Result:
        least_db, best_db = ends_db[one.quantity, one.antenna]
        if best_db - least_db < WEAK_DB:
            return one
        reach = _reach(bench, one.antenna or antenna, one.frequency_hz)
        return weakened(one, best_db - one.value, reach)

    results = [honest(result) for frequency_hz in options["at_hz"] for result in at(frequency_hz)]
    traces: list[Trace] = []
    for (quantity, name), plain in gathered.items():
        curve = [honest(one) for one in plain]
        how = coherence(bench, test.route)
        results += [_named(one, name) for one in over_band(curve, (low_hz, high_hz), how)]
        several = len({r.antenna for r in points[0]}) > 1
        traces += _curves(f"{name}/{quantity}" if several else quantity, inside, curve)
    return finished(step, antenna, used, [*results, *more], traces)


def _over(grid_hz: FloatArray, low_hz: float, high_hz: float) -> FloatArray:
    """Frequencies at which a band is looked at: its own ends, and the readings between them.

    A gain that falls towards an end of the band is least at that end, not at the last reading
    before it: between two readings it is interpolated. Where readings do not reach an end, the
    outermost one stands for it. Empty where no reading lies in the band.
    """
    slack_hz = SAME_FREQUENCY * high_hz
    if not ((grid_hz >= low_hz - slack_hz) & (grid_hz <= high_hz + slack_hz)).any():
        return np.empty(0)
    ends = np.clip([low_hz, high_hz], grid_hz[0], grid_hz[-1])
    between = grid_hz[(grid_hz > ends[0] + slack_hz) & (grid_hz < ends[1] - slack_hz)]
    found = np.concatenate([ends[:1], between, ends[1:]])
    return np.asarray(found if ends[1] > ends[0] else ends[:1], dtype=np.float64)


def _reach(bench: Bench, antenna: str | None, at_hz: float | None) -> float:
    """As `reach_of`; 0 where the range or the antenna is not stated."""
    box, known = bench.box, bench.antennas.get(antenna or "")
    if box is None or box.range_length_m is None or known is None or at_hz is None:
        return 0.0
    return reach_of(at_hz, known.largest_dimension_m, box.range_length_m)


def coherence(bench: Bench, route_name: str) -> Coherence:
    """How fast errors change over frequency on a route: from the box's size and the cables' delays.

    Each wall mirrors the range once; a wave between an antenna and what it is joined to passes the
    cables twice, or turns back at the first joint. Half more is allowed for antennas' own delays.
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


def _curves(quantity: str, grid: FloatArray, curve: list[Result]) -> list[Trace]:
    def trace(name: str, values: list[float | None]) -> Trace:
        return Trace(name, Form.RATIO_DB, grid, np.array(values, dtype=float))

    return [
        trace(quantity, [result.value for result in curve]),
        trace(f"{quantity}/low", [result.low for result in curve]),
        trace(f"{quantity}/high", [result.high for result in curve]),
    ]
