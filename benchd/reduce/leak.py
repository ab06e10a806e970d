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

from functools import lru_cache

import numpy as np

from benchd.reduce.decibels import gamma_from_return_loss
from benchd.reduce.knowledge import Known
from benchd.traces import ComplexArray, FloatArray

PARTS = 3
"""Coupler, near joint and far joint, or two and a rest: the fewest that ripple irregularly."""

COUPLER_S = 0.15e-9
"""Longest way inside of a coupler and its adapters, one way: 3 cm (common practice, no source)."""

LARGEST_SPREAD = 0.5
"""Relative uncertainty of a leak's size from two readings; with fewer nothing is known of it."""

BAND_POINTS = 24
RATIOS = 4_000
RATIO_SEED = 5


def delays_s(
    line: Known, rng: np.random.Generator, draws: int, coupler_s: float = COUPLER_S
) -> FloatArray:
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
            whole + rng.uniform(0.0, coupler_s, draws),
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
    delay_s, phasor = _parts(line, rng, draws)
    centre_hz = float(np.mean(frequency_hz))
    ends_hz = band_hz or (float(frequency_hz[0]), float(frequency_hz[-1]))
    effective = _effective(phasor, delay_s, centre_hz, ends_hz)
    scale = known_size(size, rng, draws) / effective
    return _sum(phasor * scale, delay_s, frequency_hz - centre_hz)


def leak_at_both(
    ends_hz: tuple[float, float],
    sizes: tuple[Known, Known],
    line: Known,
    bands_hz: tuple[tuple[float, float] | None, tuple[float, float] | None],
    rng: np.random.Generator,
    draws: int,
) -> ComplexArray:
    """Draws of one leak at two frequencies, complex, shape (2, draws).

    It turns between them as far as its line lets it, and has the size stated around each.
    """
    delay_s, phasor = _parts(line, rng, draws)
    centre_hz = sum(ends_hz) / 2.0
    found = _sum(phasor, delay_s, np.array(ends_hz) - centre_hz)
    # How well a size is known is one error at both: one coupler was qualified once.
    state = rng.bit_generator.state
    for number, (end_hz, size, band_hz) in enumerate(zip(ends_hz, sizes, bands_hz, strict=True)):
        rng.bit_generator.state = state
        effective = _effective(phasor, delay_s, centre_hz, band_hz or (end_hz, end_hz))
        found[number] *= known_size(size, rng, draws) / effective
    return found


def local_ratio(line: Known, band_hz: tuple[float, float] | None) -> FloatArray:
    """Draws of how large a leak is at one frequency over its root mean square over the band."""
    if band_hz is None:
        return np.ones(1)
    whole_s = 2.0 * line.value if line.assumed else line.value
    return _ratios(round(whole_s * (band_hz[1] - band_hz[0]), 2), line.assumed)


@lru_cache(maxsize=256)
def _ratios(turns_of_line: float, is_assumed: bool) -> FloatArray:
    """The same by the band's width times the line's delay, on which alone it depends (but for
    the way inside of the coupler, which is left out)."""
    rng = np.random.default_rng(RATIO_SEED)
    line = Known(turns_of_line / 2.0 if is_assumed else turns_of_line, assumed=is_assumed)
    delay_s, phasor = _parts(line, rng, RATIOS, 0.0)
    effective = _effective(phasor, delay_s, 0.0, (-0.5, 0.5))
    found: FloatArray = np.abs(phasor.sum(axis=0)) / effective
    return found


def known_size(size: Known, rng: np.random.Generator, draws: int) -> FloatArray:
    """Draws of a size stated in dB, linear: how surely it is known, by its degrees of freedom.

    A size with nu degrees of freedom is itself uncertain by 1/sqrt(2 nu) of its value (JCGM 100,
    E.4.3).
    """
    stated = np.full(draws, gamma_from_return_loss(size.value))
    if not np.isfinite(size.degrees_of_freedom):
        return stated
    spread = min(1.0 / np.sqrt(2.0 * size.degrees_of_freedom), LARGEST_SPREAD)
    drawn: FloatArray = stated * np.abs(1.0 + spread * rng.standard_normal(draws))
    return drawn


def _parts(
    line: Known, rng: np.random.Generator, draws: int, coupler_s: float = COUPLER_S
) -> tuple[FloatArray, ComplexArray]:
    """Delays and phasors of the parts, shape (PARTS, draws) each."""
    delay_s = delays_s(line, rng, draws, coupler_s)
    # Shares of the power: any, as evenly as can be (a flat Dirichlet law by exponentials).
    power = rng.exponential(size=(PARTS, draws))
    phase = rng.uniform(-np.pi, np.pi, (PARTS, draws))
    phasor: ComplexArray = np.sqrt(power) * np.exp(1j * phase)
    return delay_s, phasor


def _effective(
    phasor: ComplexArray, delay_s: FloatArray, centre_hz: float, ends_hz: tuple[float, float]
) -> FloatArray:
    """Root mean square over a band, shape (draws,)."""
    points = BAND_POINTS if ends_hz[1] > ends_hz[0] else 1
    over = _sum(phasor, delay_s, np.linspace(*ends_hz, points) - centre_hz)
    found: FloatArray = np.sqrt(np.mean(np.abs(over) ** 2, axis=0))
    return found


def _sum(phasor: ComplexArray, delay_s: FloatArray, away_hz: FloatArray) -> ComplexArray:
    """Sum of the parts at distances from the centre, shape (n, draws)."""
    total = np.zeros((away_hz.size, phasor.shape[1]), dtype=np.complex128)
    for part, delay in zip(phasor, delay_s, strict=True):
        total += part * np.exp(4j * np.pi * away_hz[:, None] * delay)
    return total
