"""A steady carrier near the analyzer's noise: mean and standard deviation of each detector's
reading.

Symbols: gamma is the true carrier-to-noise power ratio, N the noise power in the resolution
bandwidth. The envelope is Rician: the power |s + n|^2 has mean N (1 + gamma)
and variance N^2 (1 + 2 gamma); its logarithm has mean ln N + ln gamma + E1(gamma) (the noncentral
chi-squared law with two degrees of freedom; noise alone: minus Euler's constant).

Detectors: `rms` averages power; `log-average` averages dB; `sample` is one reading in dB and is
treated as a log-average of one. Peak detectors have no such law and are refused.

`power` is a power meter: its noise comes from its own electronics, lies around zero and is added to
the power, so that it does not shift the mean. N is then the standard deviation of one reading, as a
power, and the standard deviation of a level is 4.343 N / C dB for the carrier power C (first
order).
"""

from __future__ import annotations

import math

import numpy as np

from benchd.errors import ReductionRefused
from benchd.reduce.decibels import power_ratio_from_db
from benchd.sweeps import POWER, Detector
from benchd.traces import FloatArray

EULER = 0.5772156649015329
DB_PER_NAT = 10.0 / math.log(10.0)
"""4.343: dB of power per natural-logarithm unit."""

_LOG_DETECTORS: tuple[Detector, ...] = ("log-average", "sample")
DETECTORS: tuple[Detector, ...] = ("rms", *_LOG_DETECTORS)
"""Those with a law; `peak` has none."""


def exponential_integral(x: float) -> float:
    """E1(x) for x > 0 (Abramowitz and Stegun 5.1.11 below 1, fraction 5.1.22 above)."""
    if not x > 0.0:
        raise ValueError(f"E1 needs a positive argument, got {x}")
    if x <= 1.0:
        total, power = -EULER - math.log(x), 1.0
        for k in range(1, 60):
            power *= -x / k
            total -= power / k
        return total
    # Backward evaluation of e^-x [1/(x+1-) 1/(x+3-) 4/(x+5-) ...], the even part of 5.1.22.
    tail = 0.0
    for k in range(200, 0, -1):
        tail = k * k / (x + 2.0 * k + 1.0 - tail)
    return math.exp(-x) / (x + 1.0 - tail)


def bias_db(carrier_to_noise_db: float, detector: str) -> float:
    """By how much a detector's reading is too high, dB: 10 lg(1 + 1/gamma) or 4.343 E1(gamma).

    carrier_to_noise_db: true carrier level minus noise power in the resolution bandwidth.
    Raises ReductionRefused for a detector without a law.
    """
    _check(detector)
    if detector == POWER:
        return 0.0
    gamma = power_ratio_from_db(carrier_to_noise_db)
    if detector == "rms":
        return DB_PER_NAT * math.log1p(1.0 / gamma)
    return 0.0 if gamma > 700.0 else DB_PER_NAT * exponential_integral(gamma)


def noise_reading_dbm(noise_dbm: float, detector: str) -> float:
    """A detector's reading of noise alone, dBm: its power, or 2.507 dB less for a log-average."""
    _check(detector)
    return noise_dbm - (DB_PER_NAT * EULER if detector in _LOG_DETECTORS else 0.0)


def carrier_level_dbm(reading_dbm: float, noise_dbm: float, detector: str) -> float:
    """The carrier behind a reading, its noise bias removed.

    noise_dbm: noise power in the resolution bandwidth (as an rms detector reads it).
    Returns -inf where the reading does not rise above what noise alone reads.
    Raises ReductionRefused for a detector without a law.
    """
    _check(detector)
    if reading_dbm <= noise_reading_dbm(noise_dbm, detector):
        return -math.inf
    if detector == POWER:
        return reading_dbm
    if detector == "rms":
        return noise_dbm + DB_PER_NAT * math.log(math.expm1((reading_dbm - noise_dbm) / DB_PER_NAT))
    low, high = -120.0, max(reading_dbm - noise_dbm, 0.0) + 1.0
    for _ in range(200):  # the reading rises with the carrier, so halving cannot fail
        middle = 0.5 * (low + high)
        if noise_dbm + middle + bias_db(middle, detector) < reading_dbm:
            low = middle
        else:
            high = middle
    return noise_dbm + 0.5 * (low + high)


def reading_standard_db(
    carrier_to_noise_db: float, detector: str, independent_samples: float
) -> float:
    """Standard uncertainty of a carrier level read near noise and corrected for its bias, dB.

    independent_samples: readings averaged, at least 1 (about resolution bandwidth times dwell).
    Raises ReductionRefused for a detector without a law.
    """
    _check(detector)
    gamma = power_ratio_from_db(carrier_to_noise_db)
    if detector == "rms":
        # d(10 lg gamma) = 4.343 d(gamma)/gamma, after N is subtracted.
        spread = DB_PER_NAT * math.sqrt(1.0 + 2.0 * gamma) / gamma
    elif detector == POWER:
        spread = DB_PER_NAT / gamma
    else:
        # The correction divides by d(reading)/d(carrier) = 1 - exp(-gamma).
        spread = DB_PER_NAT * math.sqrt(log_variance(gamma)) / -math.expm1(-gamma)
    return spread / math.sqrt(independent_samples)


def reading_standards_db(
    carrier_to_noise_db: FloatArray, detector: str, independent_samples: float
) -> FloatArray:
    """`reading_standard_db` at every point of a trace, shape (n,)."""
    if detector not in ("rms", POWER):
        each = [
            reading_standard_db(float(one), detector, independent_samples)
            for one in carrier_to_noise_db
        ]
        return np.array(each)
    gamma = power_ratio_from_db(carrier_to_noise_db)
    spread = DB_PER_NAT * (np.sqrt(1.0 + 2.0 * gamma) if detector == "rms" else 1.0) / gamma
    return np.asarray(spread / math.sqrt(independent_samples))


def correction_standard_db(carrier_to_noise_db: float, detector: str, floor_sd_db: float) -> float:
    """Standard uncertainty of a corrected level from that of the noise power, dB.

    floor_sd_db: standard deviation of the noise power that was subtracted. Its error is the same at
    all frequencies, so averaging over them does not reduce it. d(10 lg C) = -(N/C) d(10 lg N) for
    rms. A log-average is corrected by much less (by next to nothing above 10 dB), so for it this is
    an upper bound. Raises ReductionRefused for a detector without a law.
    """
    _check(detector)
    gamma = power_ratio_from_db(carrier_to_noise_db)
    if detector in _LOG_DETECTORS and gamma > 10.0:
        return 0.0
    return floor_sd_db / gamma


def log_variance(gamma: float) -> float:
    """Variance of ln|s + n|^2 at carrier-to-noise ratio gamma >= 0; pi^2/6 for noise alone.

    The squared envelope is a Poisson(gamma) mixture of Gamma(k + 1) laws, whose logarithm has
    mean psi(k + 1) and variance psi'(k + 1) (DLMF 5.4.14, 5.15.2).
    """
    if gamma > 400.0:
        return 2.0 / gamma + 1.0 / gamma**2  # leading terms; better than 1e-6 here
    k = np.arange(0, int(gamma + 12.0 * math.sqrt(gamma) + 60.0))
    log_factorial = np.concatenate([[0.0], np.cumsum(np.log(k[1:]))])
    weight = (k == 0).astype(float)
    if gamma > 0.0:
        weight = np.exp(k * math.log(gamma) - gamma - log_factorial)
    mean_k = -EULER + np.concatenate([[0.0], np.cumsum(1.0 / k[1:])])
    variance_k = math.pi**2 / 6.0 - np.concatenate([[0.0], np.cumsum(1.0 / k[1:] ** 2)])
    mean = float(weight @ mean_k)
    return float(weight @ (variance_k + mean_k**2)) - mean**2


def _check(detector: str) -> None:
    if detector not in DETECTORS and detector != POWER:
        raise ReductionRefused(
            f'the noise law of detector "{detector}" is unknown, '
            f"expected one of {', '.join(DETECTORS)}",
            advice="Measure with an rms detector, or leave the noise correction out.",
        )
