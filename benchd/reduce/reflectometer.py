"""Error model of the coupler: what a scalar reflectometer reads, and what that leaves open.

The model of one port (three error terms; EURAMET cg-12, section on one-port errors; edition
from memory):  M = D + T G/(1 - S G), with G the reflection, D directivity, T tracking and S
source match. Normalising divides by a full reflection, so T falls out and d = D/T stays.
"""

from __future__ import annotations

import numpy as np

from benchd.reduce.decibels import gamma_from_return_loss
from benchd.reduce.knowledge import BaselineKind, Known, ReflectionKnowledge
from benchd.traces import ComplexArray, FloatArray

LARGEST_SPREAD = 0.5
"""Relative uncertainty of a leak's size from two readings; with fewer nothing is known of it."""


def reading(gamma: ComplexArray, directivity: ComplexArray, match: ComplexArray) -> ComplexArray:
    """d + G/(1 - S G): the reading over tracking. Complex, any shapes that broadcast."""
    return directivity + gamma / (1.0 - match * gamma)


def reflection(
    measured: ComplexArray, directivity: ComplexArray, match: ComplexArray
) -> ComplexArray:
    """The reflection behind a reading over tracking: the inverse of `reading`."""
    beyond = measured - directivity
    return beyond / (1.0 + match * beyond)


def full_reflection(
    directivity: ComplexArray, match: ComplexArray, baseline: BaselineKind
) -> FloatArray:
    """Magnitude that the baseline reads over tracking; 1 for a perfect coupler.

    Open and short are averaged in dB, hence the geometric mean.
    """
    opened = np.abs(reading(np.ones_like(match), directivity, match))
    shorted = np.abs(reading(-np.ones_like(match), directivity, match))
    if baseline == "open":
        return np.asarray(opened, dtype=float)
    if baseline == "short":
        return np.asarray(shorted, dtype=float)
    return np.asarray(np.sqrt(opened * shorted), dtype=float)


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

    scale_error_db: shape (trials,), draws of all errors that multiply the reading.
    Phases of directivity, source match and reading are unknown and drawn evenly; where the
    tracking is not stated, the baseline's own error is drawn with the same phasors, since it is
    the same coupler.
    """
    trials = scale_error_db.size
    directivity = leak_draws(knowledge.directivity_db, rng, trials)
    match = leak_draws(knowledge.source_match_db, rng, trials)
    true_scale = measured_gamma * 10.0 ** (-scale_error_db / 20.0)
    if knowledge.tracking_db is None:
        true_scale = true_scale * full_reflection(directivity, match, knowledge.baseline)
    # The reading's own phase is unknown to a scalar analyzer, too.
    measured = true_scale * turns(rng, trials)
    seen = reflection(measured, directivity, match) - joint_draws(knowledge, rng, trials)
    if knowledge.wall_gamma is not None:
        # What the walls send back is part of what was seen, but not of the antenna in free space.
        # It goes with what the antenna itself takes in: found in two steps from what was seen.
        echo = knowledge.wall_gamma.value * turns(rng, trials)
        own = seen - echo * np.maximum(0.0, 1.0 - np.abs(seen) ** 2)
        seen = seen - echo * np.maximum(0.0, 1.0 - np.abs(own) ** 2)
    magnitude: FloatArray = np.abs(seen)
    return magnitude


def reading_draws(
    gamma: float,
    scale_error_db: FloatArray,
    knowledge: ReflectionKnowledge,
    rng: np.random.Generator,
) -> FloatArray:
    """Draws of the normalised reading that a true magnitude gives, shape (trials,).

    The counterpart of `gamma_draws`, for a quantity defined by a true reflection (a band edge).
    """
    trials = scale_error_db.size
    directivity = leak_draws(knowledge.directivity_db, rng, trials)
    match = leak_draws(knowledge.source_match_db, rng, trials)
    seen = gamma * turns(rng, trials) + joint_draws(knowledge, rng, trials)
    if knowledge.wall_gamma is not None:
        seen = seen + knowledge.wall_gamma.value * (1.0 - gamma**2) * turns(rng, trials)
    readings: FloatArray = np.abs(reading(seen, directivity, match))
    if knowledge.tracking_db is None:
        readings = readings / full_reflection(directivity, match, knowledge.baseline)
    scaled: FloatArray = readings * 10.0 ** (scale_error_db / 20.0)
    return scaled


def leak_draws(known: Known, rng: np.random.Generator, trials: int) -> ComplexArray:
    """Draws of a leak stated as a return loss in dB: its phase, and how surely its size is known.

    A size with nu degrees of freedom is itself uncertain by 1/sqrt(2 nu) of its value (JCGM 100,
    E.4.3). For a u-shaped error that matters more than for any other: it is likeliest right at
    its ends, where a size stated a little too small cuts it off.
    """
    size = gamma_from_return_loss(known.value) * turns(rng, trials)
    if not np.isfinite(known.degrees_of_freedom):
        return size
    spread = min(1.0 / np.sqrt(2.0 * known.degrees_of_freedom), LARGEST_SPREAD)
    drawn: ComplexArray = size * (1.0 + spread * rng.standard_normal(trials))
    return drawn


def joint_draws(
    knowledge: ReflectionKnowledge, rng: np.random.Generator, trials: int
) -> ComplexArray:
    """Draws of what the joint of the antenna reflects of its own, shape (trials,).

    It adds to the antenna's reflection: both its parts are normal, since a joint made anew
    changes in many small ways at once.
    """
    joint = knowledge.joint_gamma_sd
    if np.isfinite(joint.degrees_of_freedom):
        # A spread from a few fits is itself uncertain: Student's t (JCGM 101, 6.4.9).
        parts = rng.standard_t(joint.degrees_of_freedom, (2, trials))
    else:
        parts = rng.standard_normal((2, trials))
    drawn: ComplexArray = joint.value * (parts[0] + 1j * parts[1])
    return drawn


def turns(rng: np.random.Generator, trials: int) -> ComplexArray:
    """Unit phasors of unknown phase, shape (trials,)."""
    phasors: ComplexArray = np.exp(1j * rng.uniform(-np.pi, np.pi, trials))
    return phasors
