"""Draws of a leak over frequency: a few reflections, each behind its own length of line.

What leaks to the detector without having been at the antenna is the coupler's own leak and what
every joint behind it sends back. Seen from the antenna's port they turn against its reflection
with the line between: f changes the phase of one behind a one-way delay T by 4 pi T f. Their sum
ripples over frequency, so that it is locally larger, and smaller, than its root mean square: of
many equal parts 14 % of frequencies lie above 1.4 times, 5 % above 1.73 times of it (Rayleigh's
law of the sum of many phasors, from memory).

A stated size is an effective one: the root mean square over a band. Draws are scaled so that each
has the stated size over that band; what it then is at one frequency is left to chance.
"""

from __future__ import annotations

import numpy as np

from benchd.reduce.decibels import gamma_from_return_loss
from benchd.reduce.knowledge import Known
from benchd.reduce.reflectometer import LARGEST_SPREAD, turns
from benchd.traces import ComplexArray, FloatArray

PARTS = 3
"""Coupler, near joint and far joint, or two and a rest: the fewest that ripple irregularly."""

COUPLER_S = 0.15e-9
"""Longest way inside of a coupler and its adapters, one way: 3 cm (common practice, no source)."""

BAND_POINTS = 24


def delays_s(line: Known, rng: np.random.Generator, draws: int) -> FloatArray:
    """One-way delays of the parts against the port, s, shape (PARTS, draws).

    One lies at the coupler, behind the whole line; one at the port itself; one anywhere between.
    A length that nobody stated lies between nothing and twice the assumed one.
    """
    if line.assumed:
        whole = rng.uniform(0.0, 2.0 * line.value, draws)
    else:
        whole = line.value * (1.0 + 0.05 * rng.standard_normal(draws))
    found: FloatArray = np.stack(
        [
            whole + rng.uniform(0.0, COUPLER_S, draws),
            np.zeros(draws),
            whole * rng.uniform(0.0, 1.0, draws),
        ]
    )
    return found


def leak_over(
    frequency_hz: FloatArray,
    size: Known,
    line: Known,
    band_hz: tuple[float, float] | None,
    rng: np.random.Generator,
    draws: int,
) -> ComplexArray:
    """Draws of a leak over shape (n,) frequencies: complex, shape (n, draws).

    size: return loss in dB, and how surely it is known. line: one-way delay between coupler and
    port. band_hz: over which the size is the root mean square; None where it is that of the
    frequencies themselves.
    """
    delay_s = delays_s(line, rng, draws)
    # Shares of the power: any, as evenly as can be (a flat Dirichlet law by exponentials).
    power = rng.exponential(size=(PARTS, draws))
    phasor = np.sqrt(power) * np.stack([turns(rng, draws) for _ in range(PARTS)])
    centre_hz = float(np.mean(frequency_hz))
    ends_hz = band_hz or (float(frequency_hz[0]), float(frequency_hz[-1]))
    over = _sum(phasor, delay_s, np.linspace(*ends_hz, BAND_POINTS) - centre_hz)
    effective = np.sqrt(np.mean(np.abs(over) ** 2, axis=0))
    stated = gamma_from_return_loss(size.value) * np.ones(draws)
    if np.isfinite(size.degrees_of_freedom):
        spread = min(1.0 / np.sqrt(2.0 * size.degrees_of_freedom), LARGEST_SPREAD)
        stated = stated * np.abs(1.0 + spread * rng.standard_normal(draws))
    scaled: ComplexArray = _sum(phasor * (stated / effective), delay_s, frequency_hz - centre_hz)
    return scaled


def _sum(phasor: ComplexArray, delay_s: FloatArray, away_hz: FloatArray) -> ComplexArray:
    """Sum of the parts at distances from the centre, shape (n, draws)."""
    total = np.zeros((away_hz.size, phasor.shape[1]), dtype=np.complex128)
    for part, delay in zip(phasor, delay_s, strict=True):
        total += part * np.exp(4j * np.pi * away_hz[:, None] * delay)
    return total
