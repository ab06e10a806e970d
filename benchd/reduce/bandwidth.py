"""Bandwidth at a return loss level, by interpolated crossings either side of a resonance.

A band whose edge lies outside the sweep is flagged `open-band`. The end of the sweep is then
reported as its edge; nothing is extrapolated. A VSWR band is the band at that VSWR's return loss
(`return_loss_from_gamma(gamma_from_vswr(2.0))`, 9.54 dB).
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass, replace

import numpy as np

from benchd.errors import ReductionRefused
from benchd.reduce.budget_inputs import ASSUMED_TERM, ReflectionKnowledge
from benchd.reduce.decibels import NEPER_DB, gamma_from_return_loss
from benchd.reduce.gamma_squared import (
    bent_weights,
    dynamic_range_over,
    points_to_smooth,
    prepare,
    smooth_bent,
)
from benchd.reduce.montecarlo import (
    SEED,
    interval,
    linear_draws,
    with_interval,
)
from benchd.reduce.noise import reading_standard_db
from benchd.reduce.noisy_crossings import crossings
from benchd.reduce.reflection import (
    COUPLER_TERMS,
    NEAR_NOISE_DB,
    correction_terms,
    return_loss_terms,
)
from benchd.reduce.reflectometer import edge_reading_draws
from benchd.reduce.shared_draws import SharedDraws
from benchd.reduce.uncertainty import combine, has_assumed, scaled, term
from benchd.reduce.uneven import even_size, is_even, roughness_db, smoothed
from benchd.results import Budget, Result, Term
from benchd.traces import FloatArray

LEAST_DISTANCE_DB = -10.0
"""Least distance of the level from the noise, dB, for which a reading's noise is worked out."""

FIT_REACH = 4.0
"""A straight line is fitted to the points near the crossing that lie within this many standard
deviations of the level. So noise is averaged, and a trace without noise is interpolated between
two points."""

EDGE_TRIALS = 6_000
"""Number of draws of both edges. With these the ends of their intervals are random by 2 % of the
interval's width."""

NOISY_TRIALS = 2_000
"""Number of draws in which noise is drawn along the whole curve, which takes longer. With these the
ends of intervals are random by 4 % of the width."""

LEFT_NOISE_DB = 0.3
"""If the noise of one point exceeds this, dB, neighbouring points are averaged before edges are
looked for."""

BENT_POINTS = 1.5
"""How many times as many readings a fitted parabola takes as a running mean. With 2.25 times as
many it would have the noise of the mean, but the curve is no parabola over so many."""

LEAST_SQUARED = 1e-9
"""Least squared reflection of a smoothed curve: a parabola through noise may go below zero."""

_SHARED = {
    "source match": "source match at both edges",
    "baseline left-over": "baseline",
    "tracking": "tracking",
    "linearity": "linearity",
    "connector": "connector",
    "drift": "drift",
    "harmonics": "harmonics",
}
"""Names of the errors that move both edges outwards or inwards together."""


@dataclass(frozen=True, slots=True)
class Edge:
    """One edge of a band.

    frequency_hz: the crossing, or the end of the sweep where `is_open`.
    slope_db_per_hz: of the return loss there; NaN where open. points: that the line used.
    """

    frequency_hz: float
    slope_db_per_hz: float
    points: int
    is_open: bool


@dataclass(frozen=True, slots=True)
class Band:
    """The band around a frequency in which the return loss is at least `level_db`.

    low, high: its edges; None (both) where the level is not reached at all.
    """

    level_db: float
    around_hz: float
    low: Edge | None
    high: Edge | None


def band(
    frequency_hz: FloatArray,
    ratio_db: FloatArray,
    level_db: float,
    around_hz: float,
    noise_sd_db: float | None = None,
) -> Band:
    """Edges around a frequency of a normalised trace (P_test - P_baseline, dB, shape (n,)).

    level_db: return loss, positive. noise_sd_db: of one point; None takes the trace's roughness.
    Raises ReductionRefused where around_hz lies outside.
    """
    if not frequency_hz[0] <= around_hz <= frequency_hz[-1]:
        raise ReductionRefused(
            f"no band around {around_hz / 1e6:.6g} MHz, the trace runs from "
            f"{frequency_hz[0] / 1e6:.6g} to {frequency_hz[-1] / 1e6:.6g} MHz"
        )
    return_loss_db = -ratio_db
    reach_db = FIT_REACH * (
        roughness_db(ratio_db, frequency_hz) if noise_sd_db is None else noise_sd_db
    )
    centre = int(np.argmin(np.abs(frequency_hz - around_hz)))
    if return_loss_db[centre] < level_db:
        return Band(level_db, around_hz, None, None)
    below = np.flatnonzero(return_loss_db < level_db)
    left, right = below[below < centre], below[below > centre]
    outer = (int(left[-1]) if left.size else -1, int(right[0]) if right.size else -1)
    # The line is fitted to the magnitude. There the curve is straight (off resonance |G| grows in
    # proportion to the distance from it) and noise is equal above and below; in dB the edge would
    # lie too far out. The magnitude is scaled to dB at the level, to keep slopes and noise in dB.
    above_db = NEPER_DB * (1.0 - 10.0 ** (ratio_db / 20.0) / gamma_from_return_loss(level_db))
    low = _edge(frequency_hz[: centre + 1], above_db[: centre + 1], outer[0], +1, reach_db)
    beyond = outer[1] - centre if outer[1] >= 0 else -1
    high = _edge(frequency_hz[centre:], above_db[centre:], beyond, -1, reach_db)
    return Band(level_db, around_hz, low, high)


def _edge(f: FloatArray, above_db: FloatArray, outer: int, inward: int, reach_db: float) -> Edge:
    """The crossing of zero between the last point below it and its inner neighbour."""
    if outer < 0:
        return Edge(float(f[0] if inward > 0 else f[-1]), math.nan, 0, True)
    first, last = _between_clear_points(above_db, outer, inward, reach_db)
    slope, crossing = _line(f[first : last + 1], above_db[first : last + 1])
    for _ in range(4):
        # The points are chosen by frequency: a choice by level would depend on their noise.
        if slope * inward <= 0.0 or not f[first] <= crossing <= f[last]:
            break
        near = np.flatnonzero(np.abs(f - crossing) <= reach_db / abs(slope))
        if near.size < 3:
            break
        first, last = int(near[0]), int(near[-1])
        slope, crossing = _line(f[first : last + 1], above_db[first : last + 1])
    if slope * inward <= 0.0 or not f[first] <= crossing <= f[last]:
        # A line fitted to noise may have a slope of the wrong sign; that through the two points
        # next to the crossing never has.
        first, last = sorted((outer, outer + inward))
        slope, crossing = _line(f[first : last + 1], above_db[first : last + 1])
    return Edge(crossing, slope, last - first + 1, False)


def _between_clear_points(
    above_db: FloatArray, outer: int, inward: int, reach_db: float
) -> tuple[int, int]:
    """From the last point clearly above the level to the first clearly below, noise between."""
    outwards = above_db[outer::-1] if inward > 0 else above_db[outer:]
    inwards = above_db[outer:] if inward > 0 else above_db[outer::-1]
    clear_out = np.flatnonzero(outwards <= -reach_db)
    clear_in = np.flatnonzero(inwards >= reach_db)
    out = int(clear_out[0]) if clear_out.size else 0
    into = max(int(clear_in[0]), 1) if clear_in.size else 1
    ends = (outer - inward * out, outer + inward * into)
    return min(ends), max(ends)


def _line(f: FloatArray, above_db: FloatArray) -> tuple[float, float]:
    """Least-squares slope, dB/Hz, and where the line crosses zero."""
    away = f - f.mean()
    slope = float(away @ above_db / (away @ away))
    if slope == 0.0:
        return 0.0, float(f.mean())
    return slope, float(f.mean() - above_db.mean() / slope)


def edge_terms(
    edge: Edge, level_db: float, noise_db: float, known: ReflectionKnowledge
) -> tuple[Term, ...]:
    """Errors of an edge in Hz: a return loss that is e too high moves the crossing by -e/slope."""
    gamma = gamma_from_return_loss(level_db)
    noise = term("noise", noise_db / math.sqrt(edge.points), "dB")
    errors = (*return_loss_terms(gamma, known), noise, *correction_terms(gamma, known))
    moved = scaled(errors, -1.0 / edge.slope_db_per_hz)
    reference = term(
        "frequency reference",
        known.frequency_error.value * edge.frequency_hz,
        "Hz",
        "rectangular",
        source="frequency reference",
        assumed=known.frequency_error.assumed,
    )
    return (*(replace(t, source=t.source or _SHARED.get(t.name, "")) for t in moved), reference)


def band_results(
    frequency_hz: FloatArray,
    ratio_db: FloatArray,
    level_db: float,
    around_hz: float,
    knowledge: ReflectionKnowledge,
    *,
    knowledge_at: Callable[[float], ReflectionKnowledge] | None = None,
    quantity: str = "bandwidth",
    alone: bool = True,
    seed: int = SEED,
) -> tuple[Result, ...]:
    """The bandwidth and its two edges (`<quantity>_low_edge`, `<quantity>_high_edge`), Hz.

    knowledge_at: gives the knowledge at a frequency in Hz, if a coupler is known over frequency:
        at the edges of a wide band the coupler's values differ.
    alone: whether the dip inside the band is the only one of the trace.
    Flags: `open-band` where an edge lies outside the sweep, `no-band` (value 0) where the level
    is not reached at around_hz, `near-noise` where the level lies within 10 dB of the noise.
    """
    ratio_db, noise_db, flags = _without_noise(frequency_hz, ratio_db, level_db, knowledge)
    points, share = 1, np.ones(ratio_db.size)
    if noise_db > LEFT_NOISE_DB:
        # Else the first peak of noise within the band would be taken for its edge.
        points = points_to_smooth(noise_db, LEFT_NOISE_DB, even_size(frequency_hz))
        points = max(5, 2 * math.ceil(BENT_POINTS * points / 2.0) - 1)
        squared, share = _averaged(frequency_hz, 10.0 ** (ratio_db / 10.0), points)
        ratio_db = 10.0 * np.log10(np.maximum(squared, LEAST_SQUARED))
    one_db, left = noise_db, float(share.min())
    found = band(frequency_hz, ratio_db, level_db, around_hz, one_db * math.sqrt(left))
    if found.low is not None and found.high is not None:
        # What is left of the noise counts at the edges; on an even grid it is the same everywhere.
        ends = (found.low.frequency_hz, found.high.frequency_hz)
        left = float(np.max(np.interp(ends, frequency_hz, share)))
    noise_db = one_db * math.sqrt(left)
    if left > float(share.min()):
        found = band(frequency_hz, ratio_db, level_db, around_hz, noise_db)
    found = _with_points(found, 1.0 / left)
    at = f"at {level_db:.4g} dB return loss"
    if found.low is None or found.high is None:
        note = f"The return loss stays below {level_db:.4g} dB."
        return (Result(quantity, 0.0, "Hz", None, None, flags=("no-band",), note=note),)
    low_hz, high_hz = found.low.frequency_hz, found.high.frequency_hz
    at_edge = knowledge_at or (lambda _: knowledge)
    known = (at_edge(low_hz), at_edge(high_hz))
    low_terms = _terms(found.low, level_db, noise_db, known[0])
    high_terms = _terms(found.high, level_db, noise_db, known[1])
    width_terms = (*high_terms, *scaled(low_terms, -1.0))
    low_draws, high_draws = _edge_draws(
        frequency_hz,
        ratio_db,
        found,
        (noise_db, points, np.sqrt(share / left)),
        known,
        seed,
        alone=alone,
    )
    budgets = (
        _settled(width_terms, high_hz - low_hz, np.maximum(high_draws - low_draws, 0.0), seed),
        _settled(low_terms, low_hz, low_draws, seed),
        _settled(high_terms, high_hz, high_draws, seed),
    )
    width = replace(_result(quantity, high_hz - low_hz, budgets[0], at), band_hz=(low_hz, high_hz))
    if found.low.is_open or found.high.is_open:
        width = _open_width(width, high_hz - low_hz, at)
    low = _edge_result(f"{quantity}_low_edge", found.low, budgets[1], at)
    high = _edge_result(f"{quantity}_high_edge", found.high, budgets[2], at)
    return tuple(result.with_flags(*flags) for result in (width, low, high))


def _averaged(
    frequency_hz: FloatArray, squared: FloatArray, points: int
) -> tuple[FloatArray, FloatArray]:
    """Values of parabolas through so many neighbours, and the share of one reading's variance that
    is left in each, shape (n,)."""
    if not is_even(frequency_hz):
        return smoothed(frequency_hz, squared, points, 2)
    weights = bent_weights(points)
    return smooth_bent(squared, weights), np.full(squared.size, float(weights @ weights))


def _with_points(found: Band, averaged: float) -> Band:
    """The band with the number of its edges' points divided by the readings averaged in each, since
    averaged neighbours share readings."""
    edges = [
        edge and replace(edge, points=max(1, int(edge.points / averaged)))
        for edge in (found.low, found.high)
    ]
    return replace(found, low=edges[0], high=edges[1])


def _without_noise(
    frequency_hz: FloatArray, ratio_db: FloatArray, level_db: float, known: ReflectionKnowledge
) -> tuple[FloatArray, float, tuple[str, ...]]:
    """The trace with the noise's bias removed, the noise of one point at the level, and flags.

    Noise adds to a small reflection, so that a band looks narrower than it is (0.4 dB where the
    level lies 10 dB above the noise); and the trace is rougher there than it is on average.
    """
    item = known.noise_sd_db
    noise_db = roughness_db(ratio_db, frequency_hz) if item is None else item.value
    if known.dynamic_range_db is None:
        return ratio_db, noise_db, ()
    floor = 10.0 ** (-dynamic_range_over(frequency_hz, known, known.dynamic_range_db.value) / 10.0)
    squared = prepare(frequency_hz, ratio_db, known).gamma_squared
    # A reading that is not above the noise is set to a tenth of the noise, far below any level.
    clean_db = 10.0 * np.log10(np.maximum(squared, floor / 10.0))
    distance_db = known.dynamic_range_db.value - level_db
    at_level_db = reading_standard_db(
        max(distance_db, LEAST_DISTANCE_DB), known.detector, known.independent_samples
    )
    flags = ("near-noise",) if distance_db < NEAR_NOISE_DB else ()
    return clean_db, max(noise_db, at_level_db), flags


def _terms(
    edge: Edge, level_db: float, noise_db: float, known: ReflectionKnowledge
) -> tuple[Term, ...]:
    return () if edge.is_open else edge_terms(edge, level_db, noise_db, known)


def _settled(terms: tuple[Term, ...], estimate: float, draws: FloatArray, seed: int) -> Budget:
    """The budget with its interval from draws. These follow the measured curve, which may come near
    the level a second time; the tangent at the crossing would not show that."""
    budget = combine(terms, estimate=estimate)
    if not terms:
        return budget
    low, high = interval(draws)
    return with_interval(budget, low, high, trials=draws.size, seed=seed)


def _edge_draws(
    frequency_hz: FloatArray,
    ratio_db: FloatArray,
    found: Band,
    noise: tuple[float, int, FloatArray],
    known: tuple[ReflectionKnowledge, ReflectionKnowledge],
    seed: int,
    *,
    alone: bool,
) -> tuple[FloatArray, FloatArray]:
    """Draws of both edges, Hz.

    noise: of the smoothed curve at the level, dB, over how many points it was smoothed, and how
        much larger the noise of each point is, shape (n,).

    For a reflection of exactly the level, possible readings are drawn from the reflectometer's
    model. The leak, joint and scale are the same for both edges; noise is drawn for each. The
    frequency at which the measured curve has the drawn reading is a draw of the edge.
    """
    noise_db, points, larger = noise
    rng = SharedDraws(seed)
    gamma = 10.0 ** (ratio_db / 20.0)
    centre = int(np.argmin(np.abs(frequency_hz - found.around_hz)))
    level = gamma_from_return_loss(found.level_db)
    at_level = (*return_loss_terms(level, known[0]), *correction_terms(level, known[0]))
    scale = [line for line in at_level if line.name not in COUPLER_TERMS]
    common_db = linear_draws(scale, rng, EDGE_TRIALS)
    errors_db, ends_hz = [], []
    for edge in (found.low, found.high):
        assert edge is not None
        own_db = noise_db / math.sqrt(max(edge.points, 1)) * rng.standard_normal(EDGE_TRIALS)
        errors_db.append(common_db if points > 1 else common_db + own_db)
        ends_hz.append(edge.frequency_hz)
    low_hz, high_hz = ends_hz
    inside = gamma[(frequency_hz >= low_hz) & (frequency_hz <= high_hz)]
    readings = edge_reading_draws(
        level,
        float(inside.min(initial=level)),
        (low_hz, high_hz),
        (errors_db[0], errors_db[1]),
        known,
        rng,
        alone=alone,
    )
    edges = []
    for inward, edge_hz, edge, drawn in (
        (1, low_hz, found.low, readings[0]),
        (-1, high_hz, found.high, readings[1]),
    ):
        outwards = slice(centre, None) if inward < 0 else slice(centre, None, -1)
        if points > 1:
            spread = 2.0 * level**2 * noise_db / NEPER_DB * larger[outwards]
            found_hz, usual_hz = crossings(
                frequency_hz[outwards],
                gamma[outwards] ** 2,
                drawn[:NOISY_TRIALS],
                level,
                spread,
                points,
                rng,
            )
            early_hz = 0.0 if edge is None or edge.is_open else usual_hz - edge_hz
            edges.append(found_hz - early_hz)
            continue
        rising = np.maximum.accumulate(gamma[outwards])
        found_hz = np.interp(np.append(drawn, level), rising, frequency_hz[outwards])
        # Because of peaks of noise a running maximum crosses too early. The fitted line does not,
        # so the draws are shifted to lie around the edge that the line gives.
        early_hz = 0.0 if edge is None or edge.is_open else found_hz[-1] - edge_hz
        edges.append(found_hz[:-1] - early_hz)
    return edges[0], edges[1]


def _open_width(width: Result, seen_hz: float, at: str) -> Result:
    note = f"Wider than the sweep {at}: told is the part inside it."
    low = width.low if width.low is not None else seen_hz
    return replace(
        width,
        expanded_uncertainty=None,
        coverage_factor=None,
        low=min(low, seen_hz),
        high=None,
        flags=("open-band", *width.flags),
        note=note,
    )


def _edge_result(quantity: str, edge: Edge, budget: Budget, at: str) -> Result:
    if edge.is_open:
        note = f"The sweep ends here; the edge {at} lies beyond."
        return Result(
            quantity, edge.frequency_hz, "Hz", None, None, flags=("open-band",), note=note
        )
    return _result(quantity, edge.frequency_hz, budget, at)


def _result(quantity: str, value: float, budget: Budget, at: str) -> Result:
    return Result.of_budget(
        quantity=quantity,
        value=value,
        unit="Hz",
        budget=budget,
        flags=(ASSUMED_TERM,) if has_assumed(budget.terms) else (),
        note=f"Band {at}.",
    )
