"""Error model of the coupler: the reading of a scalar reflectometer, and the reflections behind it.

The model of one port (three error terms; EURAMET cg-12, section on one-port errors; edition
from memory):  M = D + T G/(1 - S G), with G the reflection, D directivity, T tracking and S
source match. Normalising divides by a full reflection, so T falls out and d = D/T stays.
"""

from __future__ import annotations

import numpy as np

from benchd.reduce.budget_inputs import BaselineKind, Known, ReflectionKnowledge
from benchd.reduce.leak import known_size, leak_at_both, local_ratio
from benchd.reduce.montecarlo import turns
from benchd.traces import ComplexArray, FloatArray


def reading(gamma: ComplexArray, directivity: ComplexArray, match: ComplexArray) -> ComplexArray:
    """d + G/(1 - S G): the reading over tracking. Complex, any shapes that broadcast."""
    return directivity + gamma * one_over(1.0 - match * gamma)


def one_over(values: ComplexArray) -> ComplexArray:
    """1/z as conj(z)/|z|^2, which takes a third of the time of a complex division. For values of
    about 1, as they are here: far from it |z|^2 would overflow."""
    power = values.real**2 + values.imag**2
    found = np.empty(values.shape, dtype=np.complex128)
    np.divide(values.real, power, out=found.real)
    np.divide(-values.imag, power, out=found.imag)
    return found


def reflection(
    measured: ComplexArray, directivity: ComplexArray, match: ComplexArray
) -> ComplexArray:
    """The reflection behind a reading over tracking: the inverse of `reading`."""
    beyond = measured - directivity
    return beyond * one_over(1.0 + match * beyond)


def full_reflection(
    directivity: ComplexArray, match: ComplexArray, baseline: BaselineKind
) -> FloatArray:
    """Magnitude of the baseline's reading over tracking; 1 for a perfect coupler.

    Open and short are averaged in dB, hence the geometric mean.
    """
    # `reading` of G = 1 is (1 + d (1 - S))/(1 - S), of G = -1 it is -(1 - d (1 + S))/(1 + S), and
    # (1 - S)(1 + S) = 1 - S^2. Magnitudes need no complex division, which takes longer than all
    # else here.
    if baseline == "open":
        return np.abs(1.0 + directivity * (1.0 - match)) / np.abs(1.0 - match)
    if baseline == "short":
        return np.abs(1.0 - directivity * (1.0 + match)) / np.abs(1.0 + match)
    crossed = directivity * match
    both = (1.0 + directivity - crossed) * (1.0 - directivity - crossed)
    mean: FloatArray = np.sqrt(np.abs(both) / np.abs(1.0 - match * match))
    return mean


def baseline_leftover_db(directivity: float, match: float, baseline: BaselineKind) -> float:
    """Largest error of the baseline over all phases of d and S, dB, to leading order.

    One standard: 8.686 (d + S). Mean of both: 8.686 (d + S)^2/2, from
    (1/(1-S) + d)(1/(1+S) - d) = 1 + S^2 - 2 d S - d^2 to second order.
    """
    together = directivity + match
    relative = together if baseline in ("open", "short") else together**2 / 2.0
    return float(20.0 / np.log(10.0) * relative)


def gamma_draws(
    measured_gamma: float,
    scale_error_db: FloatArray,
    knowledge: ReflectionKnowledge,
    rng: np.random.Generator,
) -> FloatArray:
    """Draws of the true reflection magnitude behind one normalised reading, shape (trials,).

    scale_error_db: shape (trials,), draws of all errors that scale the reading.
    The phases of directivity, source match and reading are unknown, and all phases are drawn
    equally often. If the tracking is not stated, the baseline's error is calculated from the same
    draws, since the coupler is the same.
    """
    trials = scale_error_db.size
    directivity = leak_draws(knowledge.directivity_db, knowledge, rng, trials)
    match = leak_draws(knowledge.source_match_db, knowledge, rng, trials)
    true_scale = measured_gamma * 10.0 ** (-scale_error_db / 20.0)
    if knowledge.tracking_db is None:
        true_scale = true_scale * full_reflection(directivity, match, knowledge.baseline)
    # A scalar analyzer does not measure the phase of the reading either.
    measured = true_scale * turns(rng, trials)
    seen = reflection(measured, directivity, match) - joint_draws(knowledge, rng, trials)
    if knowledge.wall_gamma is not None:
        # The echo of the walls is part of the reading, but not of the antenna in free space. It
        # depends on how much power the antenna receives, and so is found in two iterations.
        echo = knowledge.wall_gamma.value * turns(rng, trials)
        own = seen - echo * np.maximum(0.0, 1.0 - np.abs(seen) ** 2)
        seen = seen - echo * np.maximum(0.0, 1.0 - np.abs(own) ** 2)
    magnitude: FloatArray = np.abs(seen)
    return magnitude


def edge_reading_draws(
    level: float,
    dip: float,
    ends_hz: tuple[float, float],
    scale_error_db: tuple[FloatArray, FloatArray],
    knowledge: tuple[ReflectionKnowledge, ReflectionKnowledge],
    rng: np.random.Generator,
    *,
    alone: bool = True,
) -> FloatArray:
    """Draws of the normalised readings that one true magnitude gives at both edges of a band.

    Shape (2, trials). alone: the band's dip is the only one of the trace.

    The counterpart of `gamma_draws`, for a quantity defined by a true reflection.
    level: magnitude at the edges. dip: magnitude between them.
    The two readings share one leak. Its phase changes between the edges by the delay of the line.
    The reflections at the edges are those of one resonance, mirror images of each other. So a leak
    of constant phase moves both edges in the same direction and does not change the width. If there
    is a second dip, an edge towards it is no mirror image of the other any more. Then in half of
    the draws the two have random phases. (Taken as one resonance, 92 % of the intervals of such
    widths held; with random phases 98 %: docs/coverage.md.)
    """
    low, high = knowledge
    trials = scale_error_db[0].size
    line, bands_hz = low.line_delay_s, (low.leak_band_hz, high.leak_band_hz)
    sizes = (low.directivity_db, high.directivity_db)
    matches = (low.source_match_db, high.source_match_db)
    directivity = leak_at_both(ends_hz, sizes, line, bands_hz, rng, trials)
    # With frequency the line turns the phase of the leak, against the antenna's reflection, in one
    # direction, and that of the source match in the other.
    match = np.conj(leak_at_both(ends_hz, matches, line, bands_hz, rng, trials))
    seen = _edges_of_a_resonance(level, dip, low, rng, trials)
    if not alone:
        seen[:, ::2] = level * np.stack([turns(rng, trials)[::2], turns(rng, trials)[::2]])
    seen = seen + joint_draws(low, rng, trials)
    for number, known in enumerate(knowledge):
        if known.wall_gamma is not None:
            seen[number] += known.wall_gamma.value * (1.0 - level**2) * turns(rng, trials)
    readings = np.abs(reading(seen, directivity, match))
    if low.tracking_db is None:
        readings = readings / full_reflection(directivity, match, low.baseline)
    scaled: FloatArray = readings * 10.0 ** (np.stack(scale_error_db) / 20.0)
    return scaled


def _edges_of_a_resonance(
    level: float,
    dip: float,
    knowledge: ReflectionKnowledge,
    rng: np.random.Generator,
    trials: int,
) -> ComplexArray:
    """Reflections of a series circuit at its two frequencies of one magnitude, shape (2, trials).

    |G|^2 = ((r-1)^2 + x^2)/((r+1)^2 + x^2), with x of either sign. r may be above or below 1, which
    a scalar trace cannot tell.
    """
    dip = min(dip, 0.999 * level)
    share = {"over": 1.0, "under": 0.0, None: 0.5}[knowledge.coupling]
    side = np.where(rng.random(trials) < share, -1.0, 1.0)
    r = (1.0 + side * dip) / (1.0 - side * dip)
    # x^2 from the magnitude; at the dip rounding must not make it negative.
    x = np.sqrt(np.maximum(level**2 * (r + 1.0) ** 2 - (r - 1.0) ** 2, 0.0) / (1.0 - level**2))
    x = np.stack([-x, x])
    found: ComplexArray = (r - 1.0 + 1j * x) / (r + 1.0 + 1j * x)
    return found


def leak_draws(
    size: Known, knowledge: ReflectionKnowledge, rng: np.random.Generator, trials: int
) -> ComplexArray:
    """Draws of a leak at one frequency, stated as a return loss in dB, complex, shape (trials,).

    Its phase is unknown. Its size is drawn with its own uncertainty, and if it was stated for a
    band, it ripples within that band: see `benchd.reduce.leak`. For a u-shaped error the size
    matters more than for others: values at the ends are the most likely, and a size that is stated
    a little too small would cut them off.
    """
    ratios = local_ratio(knowledge.line_delay_s, knowledge.leak_band_hz)
    local = ratios[rng.integers(0, ratios.size, trials)]
    drawn: ComplexArray = known_size(size, rng, trials) * local * turns(rng, trials)
    return drawn


def joint_draws(
    knowledge: ReflectionKnowledge, rng: np.random.Generator, trials: int
) -> ComplexArray:
    """Draws of the reflection of the antenna's joint, complex, shape (trials,).

    It adds to the antenna's reflection. Its real and imaginary parts are normal, since a joint that
    is made again changes in many small ways at once.
    """
    joint = knowledge.joint_gamma_sd
    if np.isfinite(joint.degrees_of_freedom):
        # A standard deviation from a few fits is uncertain itself: Student's t (JCGM 101, 6.4.9).
        parts = rng.standard_t(joint.degrees_of_freedom, (2, trials))
    else:
        parts = rng.standard_normal((2, trials))
    drawn: ComplexArray = joint.value * (parts[0] + 1j * parts[1])
    return drawn
