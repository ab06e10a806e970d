"""The worst match of an antenna over a band: smallest return loss, largest VSWR.

The worst of many readings is on average too bad. Each reading contains noise and the coupler's
leak, which ripples over the band, and the worst is found where they add up. For antennas of
constant match on simulated benches the worst reading was 1.6 to 2.7 dB too bad. Intervals of single
frequencies do not include that.

So the errors of the whole band are drawn together: one leak and one source match whose phases
change with the line's delay (`benchd.reduce.leak`), one error each of scale, joint and drift, and
noise for each frequency. Each draw is subtracted from the curve, and the worst of the rest is
found. The differences from the worst reading show the distribution of its error, and their mean is
subtracted as a bias (basic bootstrap: A. C. Davison and D. V. Hinkley, Bootstrap Methods and their
Application, section 5.2, from memory).

How much the errors shift the worst reading depends on the curve. If it rises towards one place,
errors added twice shift it twice as much. If it is level, errors are added as squares, and a
second set of errors adds only sqrt(2) - 1 of what the first has added. A measured curve does not
show which case applies, so the interval allows for both.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import replace

import numpy as np

from benchd.errors import ReductionRefused
from benchd.reduce.band_extremes import place_is_known
from benchd.reduce.budget_inputs import Known, ReflectionKnowledge
from benchd.reduce.decibels import NEPER_DB, gamma_from_return_loss
from benchd.reduce.gamma_squared import prepare
from benchd.reduce.leak import leak_over
from benchd.reduce.montecarlo import (
    SEED,
    interval,
    linear_draws,
    phasors,
    turns,
    with_interval,
)
from benchd.reduce.near_leak import largest_magnitude
from benchd.reduce.reflection import (
    BELOW_DIRECTIVITY,
    COUPLER_TERMS,
    ReflectionPoint,
    point_result,
    reflection_at,
)
from benchd.reduce.reflectometer import full_reflection, joint_draws, reflection
from benchd.reduce.shared_draws import SharedDraws
from benchd.results import Result
from benchd.traces import ComplexArray, FloatArray

TRIALS = 4000
MOST_POINTS = 61
"""Readings beyond this number are averaged in groups first: noise is taken off, and no antenna
changes much within a sixtieth of its band."""
LARGEST_TURN = 2.0 * math.pi
"""How far the phase of a reflection may turn over its band, either way: once around the chart
(common practice, no source). A scalar reading does not show it."""
EVEN = 1.0 / (math.sqrt(2.0) - 1.0)
"""What errors have added to the worst of an even curve, over what they add once more."""
TOGETHER = 500
"""Draws that are worked out together: so many at all frequencies of a band fit into a processor's
cache, which halves the time."""
LEAST_SQUARED = 1e-12
COARSE = 5

KnownAt = Callable[[float], ReflectionKnowledge]


def worst_results(
    frequency_hz: FloatArray,
    ratio_db: FloatArray,
    band_hz: tuple[float, float],
    known_at: KnownAt,
    *,
    seed: int = SEED,
) -> tuple[Result, Result]:
    """`worst_return_loss`, dB, and `worst_vswr` over a band of a normalised trace, shape (n,).

    known_at: what is known of the bench at a frequency, Hz.
    Raises ReductionRefused where the band reaches outside the trace.
    """
    f, squared, sd = _inside(frequency_hz, ratio_db, band_hz, known_at)
    place = int(np.argmax(squared))
    at_hz, read = float(f[place]), math.sqrt(float(squared[place]))
    there = reflection_at(frequency_hz, ratio_db, at_hz, known_at(at_hz), seed=seed)
    there = replace(there, frequency_hz=at_hz)
    drawn, drawn_hz = _worst_draws(f, squared, sd, known_at, there, seed)
    is_placed = place_is_known(drawn_hz, at_hz, float(f[-1] - f[0]))
    point = _settled(there, read, np.log(drawn / read), seed)
    directivity = gamma_from_return_loss(known_at(at_hz).directivity_db.value)
    if read < BELOW_DIRECTIVITY * directivity or there.gamma_low is None:
        # The whole band is below the leak: only a limit for the worst value is known.
        flags = tuple(dict.fromkeys((*there.flags, "below-directivity")))
        limit = max(largest_magnitude(drawn), there.gamma_high)
        point = replace(point, gamma_low=None, gamma_high=limit, flags=flags)
    loss, vswr = (
        _told(point, quantity, band_hz, is_placed=is_placed) for quantity in ("return_loss", "vswr")
    )
    return loss, vswr


def _settled(there: ReflectionPoint, read: float, off: FloatArray, seed: int) -> ReflectionPoint:
    """off: logarithm of each draw's worst over the worst as read."""
    bias = max(0.0, float(off.mean()))
    least, most = interval(off - float(off.mean()))
    low, high = read * math.exp(-most - EVEN * bias), read * math.exp(-least - bias)
    allowed = (EVEN - 1.0) * bias / math.sqrt(12.0)
    standard = NEPER_DB * math.hypot(float(off.std()), allowed)
    ends_db = -NEPER_DB * math.log(high), -NEPER_DB * math.log(low)
    return replace(
        there,
        gamma=read * math.exp(-(1.0 + EVEN) / 2.0 * bias),
        gamma_low=low,
        gamma_high=high,
        budget=with_interval(
            replace(there.budget, standard=standard), *ends_db, trials=TRIALS, seed=seed
        ),
    )


def _told(
    point: ReflectionPoint, quantity: str, band_hz: tuple[float, float], *, is_placed: bool
) -> Result:
    """is_placed: whether the errors leave no other place in the band for the worst value."""
    found = point_result(point, quantity)
    at = "Errors leave open where in the band the worst lies."
    if is_placed:
        at = f"Worst at {point.frequency_hz / 1e6:.5g} MHz."
    return replace(
        found,
        quantity=f"worst_{quantity}",
        frequency_hz=None,
        band_hz=band_hz,
        note=f"{at} {found.note}".strip(),
    )


def _inside(
    frequency_hz: FloatArray, ratio_db: FloatArray, band_hz: tuple[float, float], known_at: KnownAt
) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Frequencies of the band with both its ends, squared reflections there and their noise."""
    low_hz, high_hz = band_hz
    slack = 1e-9 * high_hz
    if not frequency_hz[0] - slack <= low_hz < high_hz <= frequency_hz[-1] + slack:
        raise ReductionRefused(
            f"the band from {low_hz / 1e6:.6g} to {high_hz / 1e6:.6g} MHz reaches outside the "
            f"trace, which runs from {frequency_hz[0] / 1e6:.6g} to "
            f"{frequency_hz[-1] / 1e6:.6g} MHz",
            advice="Ask for a band inside the sweep, or widen the sweep.",
        )
    data = prepare(frequency_hz, ratio_db, known_at((low_hz + high_hz) / 2.0))
    squared = np.maximum(data.gamma_squared, LEAST_SQUARED)
    keep = (frequency_hz > low_hz + slack) & (frequency_hz < high_hz - slack)
    inner = replace(
        data, frequency_hz=frequency_hz[keep], gamma_squared=squared[keep], sd=data.sd[keep]
    )
    if inner.frequency_hz.size > MOST_POINTS:
        inner = inner.thinned(MOST_POINTS)
    ends = np.array([low_hz, high_hz])
    at_ends = [np.interp(ends, frequency_hz, values) for values in (squared, data.sd)]

    def joined(end: FloatArray, middle: FloatArray) -> FloatArray:
        return np.concatenate([end[:1], middle, end[1:]])

    return (
        joined(ends, inner.frequency_hz),
        joined(at_ends[0], inner.gamma_squared),
        joined(at_ends[1], inner.sd),
    )


def _worst_draws(
    f: FloatArray,
    squared: FloatArray,
    sd: FloatArray,
    known_at: KnownAt,
    there: ReflectionPoint,
    seed: int,
) -> tuple[FloatArray, FloatArray]:
    """Greatest magnitude over the band, drawn errors taken off the readings, and where each draw
    has it, Hz; both shape (TRIALS,)."""
    rng = SharedDraws([seed, 2])
    known = known_at(there.frequency_hz)
    outside = [line for line in there.budget.terms if line.name not in {*COUPLER_TERMS, "noise"}]
    scale_db = linear_draws(outside, rng, TRIALS)
    noise = rng.standard_normal((f.size, TRIALS))
    scale = 10.0 ** (-scale_db / 20.0)
    directivity = _leak(f, known_at, "directivity_db", rng)
    # With frequency the line turns the phase of the leak, against the antenna's reflection, in one
    # direction, and that of the source match in the other.
    match = np.conj(_leak(f, known_at, "source_match_db", rng))
    along = (f - f[0])[:, None] / (f[-1] - f[0])
    turn = rng.uniform(-LARGEST_TURN, LARGEST_TURN, TRIALS)
    phase = rng.uniform(-np.pi, np.pi, TRIALS)
    joint = joint_draws(known, rng, TRIALS)
    echo = None if known.wall_gamma is None else known.wall_gamma.value * turns(rng, TRIALS)
    worst, where_hz = np.empty(TRIALS), np.empty(TRIALS)
    for first in range(0, TRIALS, TOGETHER):
        some = slice(first, first + TOGETHER)
        noisy = squared[:, None] + sd[:, None] * noise[:, some]
        reading = np.sqrt(np.maximum(noisy, LEAST_SQUARED)) * scale[some]
        leak, source = directivity[:, some], match[:, some]
        if known.tracking_db is None:
            reading = reading * full_reflection(leak, source, known.baseline)
        phasor = phasors(phase[some] + along * turn[some])
        seen = reflection(reading * phasor, leak, source) - joint[some]
        if echo is not None:
            seen = seen - echo[some] * np.maximum(0.0, 1.0 - np.abs(seen) ** 2)
        size = np.abs(seen)
        place = size.argmax(axis=0)
        worst[some], where_hz[some] = size[place, np.arange(place.size)], f[place]
    return worst, where_hz


def _leak(f: FloatArray, known_at: KnownAt, field: str, rng: np.random.Generator) -> ComplexArray:
    """Draws of a leak over the band, shape (n, TRIALS), of the size stated at each frequency."""
    coarse = np.linspace(float(f[0]), float(f[-1]), COARSE)
    each = [known_at(float(at)) for at in coarse]
    stated: list[Known] = [getattr(known, field) for known in each]
    sizes = np.interp(f, coarse, [gamma_from_return_loss(one.value) for one in stated])
    middle = each[COARSE // 2]
    mean_db = -10.0 * math.log10(float(np.mean(sizes**2)))
    size = replace(stated[COARSE // 2], value=mean_db)
    drawn = leak_over(f, size, middle.line_delay_s, middle.leak_band_hz, rng, TRIALS)
    scaled: ComplexArray = drawn * (sizes / gamma_from_return_loss(mean_db))[:, None]
    return scaled
