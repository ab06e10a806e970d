"""Two reflections over one coupler at one frequency: pairs of true values that fit both readings.

At one frequency the coupler has one leak d and one source match S, so each draw of these holds for
both readings. The readings are |G1 + d'| and |G2 + d'|, where d' is the sum of leak, source match
(S G^2) and joint. The curves of the traces give the phase between the two reflections. For every
draw the magnitude g is found from

    g = -d' cos p + sqrt(m^2 - d'^2 sin^2 p)

with m the reading and p the phase of d' against the reflection. All p are equally likely, and each
draw has the weight dg/dm = m/sqrt(m^2 - d'^2 sin^2 p). This amounts to assuming that, before the
reading, all magnitudes are equally likely (`benchd.reduce.near_leak` tells why not all points of
the plane).

The leak also changes the curves and so the phase that is found from them: by about leak over
reading. The change is the same in both traces, since the leak is the same.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from benchd.reduce.budget_inputs import ReflectionKnowledge
from benchd.reduce.decibels import NEPER_DB
from benchd.reduce.montecarlo import turns
from benchd.reduce.reflection import ReflectionPoint
from benchd.reduce.reflectometer import full_reflection, joint_draws, leak_draws
from benchd.traces import ComplexArray, FloatArray

SHARED, NOISE, JOINT, CONNECTOR, DRIFT, SCALE = (
    "coupler, common to both",
    "noise",
    "connector reflection",
    "connector",
    "drift",
    "scale between the two",
)
ALL = (SHARED, NOISE, JOINT, CONNECTOR, DRIFT, SCALE)
SCALE_STEP_DB = 10.0
"""Two levels that differ by this much, dB, have independent scale errors. If they differ by less, a
part of the error is shared, in proportion. Scale errors are stated per 10 dB (common practice, no
source)."""

STEPS = 6
"""Number of iterations of the solution. The source match adds a part that depends on the square of
the reflection; the error of each iteration is 2 S g times that of the one before."""

LARGEST_WEIGHT = 30.0
"""Upper limit of the weight of a draw. Without it, the weight has no bound if the leak is at right
angles to the reading."""

SMALLEST = 1e-6
"""Smallest reflection magnitude that is distinguished: no analyzer resolves 120 dB return loss."""


@dataclass(frozen=True, eq=False)
class AtFrequency:
    """One of the two reflections: its reading, the inputs of its budget, and the phase of the
    reflection as unit phasors, shape (draws,)."""

    point: ReflectionPoint
    known: ReflectionKnowledge
    phasor: ComplexArray


def truths(
    sides: tuple[AtFrequency, AtFrequency], errors: tuple[str, ...], seed: int
) -> tuple[tuple[FloatArray, FloatArray], FloatArray]:
    """Draws of both magnitudes and the weight of each draw, shape (draws,) each.

    errors: which of ALL are drawn. A draw that no reflection fits has the weight zero.
    """
    known, draws = sides[0].known, sides[0].phasor.size
    rng = np.random.default_rng(seed)
    leak = leak_draws(known.directivity_db, known, rng, draws)
    match = leak_draws(known.source_match_db, known, rng, draws)
    scale = known.linearity_db.value * rng.uniform(-1.0, 1.0, (2, draws))
    off, floor = rng.standard_normal((2, draws))
    if SHARED not in errors:
        leak, match, scale[0] = 0.0 * leak, 0.0 * match, 0.0
    full = np.ones(draws)
    if known.tracking_db is None:
        full = full_reflection(leak, match, known.baseline)
    found, weight = [], np.ones(draws)
    for number, side in enumerate(sides):
        own = np.random.default_rng([seed, number + 1])
        error_db = scale[0] + _own_db(side, errors, own, draws)
        apart_db = NEPER_DB * abs(np.log(sides[1].point.gamma / sides[0].point.gamma))
        if number == 1 and SCALE in errors:
            error_db = error_db + min(1.0, apart_db / SCALE_STEP_DB) * scale[1]
        if NOISE in errors:
            error_db = error_db + _sizes(side.point, "noise correction") * floor
        joint = joint_draws(side.known, own, draws)
        if JOINT not in errors:
            joint = 0.0 * joint
        reading = np.maximum(side.point.gamma * full * 10.0 ** (-error_db / 20.0), SMALLEST)
        phasor = side.phasor * np.exp(1j * off * np.minimum(np.abs(leak) / reading, np.pi))
        magnitude, counts = _solved(reading, phasor, leak, match, joint)
        found.append(magnitude)
        weight = weight * counts
    return (found[0], found[1]), weight


def _own_db(
    side: AtFrequency, errors: tuple[str, ...], rng: np.random.Generator, draws: int
) -> FloatArray:
    """Draws of the errors that scale one reading and not the other, dB, shape (draws,)."""
    noise, line, joint, drift = (
        rng.standard_normal(draws),
        rng.uniform(-1.0, 1.0, draws),
        rng.standard_normal(draws),
        rng.uniform(-1.0, 1.0, draws),
    )
    total = np.zeros(draws)
    if NOISE in errors:
        total = _sizes(side.point, "noise") * noise + _sizes(side.point, "interpolation") * line
    if CONNECTOR in errors:
        total = total + side.known.connector_sd_db.value * joint
    if DRIFT in errors:
        total = total + side.known.drift_db.value * drift
    return total


def _sizes(point: ReflectionPoint, name: str) -> float:
    """Size of a line of the single result's budget, dB; 0 if there is no such line."""
    return sum(line.size for line in point.budget.terms if line.name == name)


def _solved(
    reading: FloatArray,
    phasor: ComplexArray,
    leak: ComplexArray,
    match: ComplexArray,
    joint: ComplexArray,
) -> tuple[FloatArray, FloatArray]:
    """The magnitude that gives a reading at a given phase, and the weight of the draw."""
    magnitude = reading.copy()
    across = np.zeros_like(reading)
    for _ in range(STEPS):
        reflected = magnitude * phasor + joint
        # The sum of everything but the reflection itself: reading = |g phasor + rest|.
        rest = leak + joint + match * reflected**2 / (1.0 - match * reflected)
        turned = rest * np.conj(phasor)
        across = np.abs(turned.imag)
        along = np.sqrt(np.maximum(reading**2 - across**2, 0.0))
        magnitude = np.maximum(along - turned.real, 0.0)
    possible = (across < reading) & (along - turned.real >= 0.0)
    counts = np.minimum(reading / np.maximum(along, SMALLEST), LARGEST_WEIGHT)
    return np.maximum(magnitude, SMALLEST), np.where(possible, counts, 0.0)


def any_phase(rng: np.random.Generator, draws: int) -> ComplexArray:
    """Unit phasors of a reflection of unknown phase."""
    return turns(rng, draws)


def weighted_quantiles(
    values: FloatArray, weight: FloatArray, shares: tuple[float, ...]
) -> tuple[float, ...]:
    """Quantiles of weighted draws, shape (draws,) both."""
    order = np.argsort(values)
    heavy = weight[order]
    below = (np.cumsum(heavy) - heavy / 2.0) / heavy.sum()
    return tuple(float(v) for v in np.interp(shares, below, values[order]))


def weighted_spread(values: FloatArray, weight: FloatArray) -> float:
    """Standard deviation of weighted draws, shape (draws,) both; zero where none counts."""
    if not weight.any():
        return 0.0
    mean = np.average(values, weights=weight)
    return float(np.sqrt(np.average((values - mean) ** 2, weights=weight)))
