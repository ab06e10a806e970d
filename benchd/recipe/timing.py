"""How long steps will take, as far as that is known beforehand."""

from __future__ import annotations

from collections.abc import Sequence

from benchd.bench import Bench, Route
from benchd.bench.instruments import PowerMeterInstrument
from benchd.reduce.next_points import gaps_of
from benchd.sweeps import SweepPlan
from benchd.worksheet import SwitchSetting

POINT_OVERHEAD_S = 0.001
"""Round trips of one stepped point on a local network, measured on loopback and doubled."""

SWEEP_OVERHEAD_S = 0.05
"""Setting up and fetching one trace."""

LISTS_OVERHEAD_S = 0.3
"""Setting up, loading and fetching lists, and the points that are read again by command, measured
on loopback and doubled."""

SWEEP_FACTOR = 2.5
"""Least time of an analyzer sweep: factor times span / RBW^2 (common practice for Gaussian
filters, no source)."""


def sweep_time_s(bench: Bench, route: Route, plan: SweepPlan) -> float:
    """Expected time of one sweep, seconds, refinement included; the most where that depends on what
    it reads."""
    if plan.method == "hold":
        return (plan.free_run_s or 0.0) + SWEEP_OVERHEAD_S
    if plan.method == "tracking":
        span_hz = plan.stop_hz - plan.start_hz
        least = SWEEP_FACTOR * span_hz / plan.resolution_bandwidth_hz**2
        return plan.average * (plan.sweep_time_s or least) + SWEEP_OVERHEAD_S
    points = plan.most_points
    if plan.method == "vector":
        return points * plan.average * plan.dwell_s + SWEEP_OVERHEAD_S
    if plan.lists and plan.lists.by_trigger:
        passes = plan.lists.passes(plan.average)
        return points * passes * plan.lists.point_s(plan.dwell_s) + LISTS_OVERHEAD_S
    each = point_time_s(bench, route, plan)
    meter = bench.analyzer_of(route)
    zero_s = meter.zero_time_s if isinstance(meter, PowerMeterInstrument) else 0.0
    reading_s = points * each
    if plan.refine_to is not None and plan.refine_to.at_most_s is not None:
        # The first readings are taken whole, whatever the bound on time.
        reach_hz = plan.refine_to.reach_hz
        first = gaps_of(plan.points, plan.stop_hz - plan.start_hz, reach_hz) + 1
        reading_s = min(reading_s, max(first * each, plan.refine_to.at_most_s))
    return reading_s + zero_s + SWEEP_OVERHEAD_S


def point_time_s(bench: Bench, route: Route, plan: SweepPlan) -> float:
    """Expected time of one point of a stepped sweep, s."""
    return bench.source_of(route).settle_s + plan.dwell_s * plan.average + POINT_OVERHEAD_S


def switching_time_s(bench: Bench, switching: Sequence[SwitchSetting]) -> float:
    """Expected time to close all channels, seconds."""
    return sum(
        len(setting.channels) * (bench.switch(setting.instrument).settle_s + POINT_OVERHEAD_S)
        for setting in switching
    )
