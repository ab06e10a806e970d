"""Random draws of a leak over frequency, as a sum of reflections behind different lengths of line.

The leak is the signal that reaches the detector without reaching the antenna: the coupler's own
leak, and the reflection of every joint behind it. Seen from the antenna's port, the phase of each
part against the antenna's reflection changes with frequency f: by 4 pi T f for a one-way delay T.
So their sum ripples over frequency, and is in places larger or smaller than its root mean square.
For many equal parts it is above 1.4 times that at 14 % of frequencies, and above 1.73 times at 5 %
(Rayleigh's law of the sum of many phasors, from memory).

A stated size is an effective one: the root mean square over a band. Each draw is scaled to have the
stated size over that band; its size at a single frequency is random.
"""

from __future__ import annotations

from functools import lru_cache
from itertools import combinations

import numpy as np

from benchd.reduce.budget_inputs import Known
from benchd.reduce.decibels import gamma_from_return_loss
from benchd.reduce.montecarlo import phasors, turns
from benchd.reduce.shared_draws import go_back, place_of
from benchd.traces import ComplexArray, FloatArray

PARTS = 3
"""Number of reflections in a draw: coupler, near joint and far joint. With fewer the ripple would
be regular."""

COUPLER_S = 0.15e-9
"""Longest one-way delay inside a coupler and its adapters, s: 3 cm (common practice, no source)."""

LARGEST_SPREAD = 0.5
"""Largest relative uncertainty of a leak's size, that from two readings. With fewer readings
nothing is known of the size."""

EVEN_STEPS = 1e-6
"""Steps of a sweep that differ by less than this, relative, are taken as even."""
LEAST_POWER = 1e-12
"""Least mean square of a sum of parts: rounding must not make it negative."""
RATIOS = 4_000
RATIO_SEED = 5


def delays_s(
    line: Known, rng: np.random.Generator, draws: int, coupler_s: float = COUPLER_S
) -> FloatArray:
    """One-way delays between the parts and the port, s, shape (PARTS, draws).

    One part lies at the coupler, behind the whole line; one at the port; one anywhere between.
    If the length is assumed, it is drawn between zero and twice the assumed one.
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

    size: return loss in dB, with its degrees of freedom. line: one-way delay between coupler and
    port, s. band_hz: band over which the size is the root mean square; None if the size holds at
    the frequencies themselves.
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

    Its phase changes between them by its delay, and it has the stated size around each of them.
    """
    delay_s, phasor = _parts(line, rng, draws)
    centre_hz = sum(ends_hz) / 2.0
    found = _sum(phasor, delay_s, np.array(ends_hz) - centre_hz)
    # The error of the size is the same at both, since the coupler was qualified once.
    place = place_of(rng)
    for number, (end_hz, size, band_hz) in enumerate(zip(ends_hz, sizes, bands_hz, strict=True)):
        go_back(rng, place)
        effective = _effective(phasor, delay_s, centre_hz, band_hz or (end_hz, end_hz))
        found[number] *= known_size(size, rng, draws) / effective
    return found


def local_ratio(line: Known, band_hz: tuple[float, float] | None) -> FloatArray:
    """Draws of the ratio of a leak at one frequency to its root mean square over the band."""
    if band_hz is None:
        return np.ones(1)
    whole_s = 2.0 * line.value if line.assumed else line.value
    return _ratios(round(whole_s * (band_hz[1] - band_hz[0]), 2), line.assumed)


@lru_cache(maxsize=256)
def _ratios(turns_of_line: float, is_assumed: bool) -> FloatArray:
    """The same draws, by the band's width times the line's delay. They depend on this product only,
    if the delay inside the coupler is left out."""
    rng = np.random.default_rng(RATIO_SEED)
    line = Known(turns_of_line / 2.0 if is_assumed else turns_of_line, assumed=is_assumed)
    delay_s, phasor = _parts(line, rng, RATIOS, 0.0)
    effective = _effective(phasor, delay_s, 0.0, (-0.5, 0.5))
    found: FloatArray = np.abs(phasor.sum(axis=0)) / effective
    return found


def known_size(size: Known, rng: np.random.Generator, draws: int) -> FloatArray:
    """Draws (linear) of a size stated in dB, which scatter according to its degrees of freedom.

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
    # The shares of the parts in the power: all divisions equally likely (a flat Dirichlet law, made
    # of exponentials).
    power = rng.exponential(size=(PARTS, draws))
    return delay_s, np.sqrt(power) * turns(rng, (PARTS, draws))


def _effective(
    phasor: ComplexArray, delay_s: FloatArray, centre_hz: float, ends_hz: tuple[float, float]
) -> FloatArray:
    """Root mean square over a band, shape (draws,).

    The mean of the squared sum is the sum of the squared parts, and of the product of each two
    parts, whose phase turns by 4 pi f (T1 - T2): averaged over a width W it is its value in the
    middle times sin(x)/x with x = 2 pi W (T1 - T2) (integral of a cosine).
    """
    width_hz, middle_hz = ends_hz[1] - ends_hz[0], sum(ends_hz) / 2.0 - centre_hz
    power = np.sum(np.abs(phasor) ** 2, axis=0)
    for one, other in combinations(range(phasor.shape[0]), 2):
        apart_s = delay_s[one] - delay_s[other]
        both = phasor[one] * np.conj(phasor[other]) * phasors(4.0 * np.pi * middle_hz * apart_s)
        power = power + 2.0 * np.real(both) * np.sinc(2.0 * width_hz * apart_s)
    found: FloatArray = np.sqrt(np.maximum(power, LEAST_POWER))
    return found


def _sum(phasor: ComplexArray, delay_s: FloatArray, away_hz: FloatArray) -> ComplexArray:
    """Sum of the parts at distances from the centre, shape (n, draws).

    Where the distances are even, each part is turned on by one step from point to point, which
    costs a product in the place of an exponential (in 24 steps rounding grows to about 1e-14).
    """
    total = np.zeros((away_hz.size, phasor.shape[1]), dtype=np.complex128)
    steps_hz = np.diff(away_hz)
    even = steps_hz.size > 1 and bool(np.ptp(steps_hz) <= EVEN_STEPS * abs(steps_hz[0]))
    for part, delay in zip(phasor, delay_s, strict=True):
        turned = part * phasors(4.0 * np.pi * away_hz[0] * delay)
        total[0] += turned
        step = phasors(4.0 * np.pi * np.mean(steps_hz) * delay) if even else None
        for row in range(1, away_hz.size):
            if step is None:
                turned = part * phasors(4.0 * np.pi * away_hz[row] * delay)
            else:
                turned = turned * step
            total[row] += turned
    return total
