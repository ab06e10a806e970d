"""Decibels and the reflection quantities: plain conversions, arrays or numbers alike.

Symbols: gamma is the magnitude of a reflection coefficient (linear, 0 to 1); return_loss_db is
positive for a passive load (IEEE Std 146 sense; the sign convention is common practice).
All functions are element-wise over arrays of any shape.
"""

from __future__ import annotations

import math
from typing import overload

import numpy as np
from numpy.typing import ArrayLike

from benchd.traces import FloatArray

NEPER_DB: float = 20.0 / math.log(10.0)
"""dB per unit of relative amplitude change, 8.686: d(20 lg x) = NEPER_DB dx/x."""

SPEED_OF_LIGHT_M_PER_S = 299_792_458.0
"""Exact (SI Brochure, 9th edition)."""


@overload
def ratio_from_db(ratio_db: float) -> float: ...
@overload
def ratio_from_db(ratio_db: FloatArray) -> FloatArray: ...
def ratio_from_db(ratio_db: float | FloatArray) -> float | FloatArray:
    """Amplitude ratio (linear) of a ratio in dB: 10^(dB/20)."""
    return _like(ratio_db, 10.0 ** (np.asarray(ratio_db, dtype=float) / 20.0))


@overload
def db_from_ratio(ratio: float) -> float: ...
@overload
def db_from_ratio(ratio: FloatArray) -> FloatArray: ...
def db_from_ratio(ratio: float | FloatArray) -> float | FloatArray:
    """dB of an amplitude ratio: 20 lg. Zero gives -inf, without a warning."""
    with np.errstate(divide="ignore"):
        return _like(ratio, 20.0 * np.log10(np.asarray(ratio, dtype=float)))


@overload
def power_ratio_from_db(ratio_db: float) -> float: ...
@overload
def power_ratio_from_db(ratio_db: FloatArray) -> FloatArray: ...
def power_ratio_from_db(ratio_db: float | FloatArray) -> float | FloatArray:
    """Power ratio (linear) of a ratio in dB, or milliwatts of a level in dBm: 10^(dB/10)."""
    return _like(ratio_db, 10.0 ** (np.asarray(ratio_db, dtype=float) / 10.0))


@overload
def db_from_power_ratio(ratio: float) -> float: ...
@overload
def db_from_power_ratio(ratio: FloatArray) -> FloatArray: ...
def db_from_power_ratio(ratio: float | FloatArray) -> float | FloatArray:
    """dB of a power ratio, or dBm of milliwatts: 10 lg. Zero gives -inf, without a warning."""
    with np.errstate(divide="ignore"):
        return _like(ratio, 10.0 * np.log10(np.asarray(ratio, dtype=float)))


@overload
def gamma_from_return_loss(return_loss_db: float) -> float: ...
@overload
def gamma_from_return_loss(return_loss_db: FloatArray) -> FloatArray: ...
def gamma_from_return_loss(return_loss_db: float | FloatArray) -> float | FloatArray:
    """Reflection magnitude of a return loss in dB: 10^(-RL/20)."""
    return _like(return_loss_db, 10.0 ** (-np.asarray(return_loss_db, dtype=float) / 20.0))


@overload
def return_loss_from_gamma(gamma: float) -> float: ...
@overload
def return_loss_from_gamma(gamma: FloatArray) -> FloatArray: ...
def return_loss_from_gamma(gamma: float | FloatArray) -> float | FloatArray:
    """Return loss in dB of a reflection magnitude: -20 lg gamma. Zero gives +inf."""
    with np.errstate(divide="ignore"):
        return _like(gamma, -20.0 * np.log10(np.asarray(gamma, dtype=float)))


@overload
def vswr_from_gamma(gamma: float) -> float: ...
@overload
def vswr_from_gamma(gamma: FloatArray) -> FloatArray: ...
def vswr_from_gamma(gamma: float | FloatArray) -> float | FloatArray:
    """VSWR = (1 + gamma)/(1 - gamma), for gamma in [0, 1); infinite at 1 and beyond."""
    magnitude = np.asarray(gamma, dtype=float)
    passive = np.minimum(magnitude, 1.0)
    with np.errstate(divide="ignore"):
        return _like(gamma, (1.0 + passive) / (1.0 - passive))


@overload
def gamma_from_vswr(vswr: float) -> float: ...
@overload
def gamma_from_vswr(vswr: FloatArray) -> FloatArray: ...
def gamma_from_vswr(vswr: float | FloatArray) -> float | FloatArray:
    """Reflection magnitude of a VSWR of 1 or more: (s - 1)/(s + 1)."""
    standing = np.asarray(vswr, dtype=float)
    return _like(vswr, (standing - 1.0) / (standing + 1.0))


@overload
def mismatch_loss_db(gamma: float) -> float: ...
@overload
def mismatch_loss_db(gamma: FloatArray) -> FloatArray: ...
def mismatch_loss_db(gamma: float | FloatArray) -> float | FloatArray:
    """Power lost by reflection, dB: -10 lg(1 - gamma^2), for gamma in [0, 1)."""
    magnitude = np.minimum(np.asarray(gamma, dtype=float), 1.0)
    with np.errstate(divide="ignore"):
        # + 0.0 turns the -0.0 of a perfect match into a plain zero.
        return _like(gamma, -10.0 * np.log10(1.0 - magnitude**2) + 0.0)


@overload
def free_space_path_loss_db(frequency_hz: float, distance_m: float) -> float: ...
@overload
def free_space_path_loss_db(frequency_hz: FloatArray, distance_m: float) -> FloatArray: ...
def free_space_path_loss_db(
    frequency_hz: float | FloatArray, distance_m: float
) -> float | FloatArray:
    """Loss between isotropic antennas, dB: 20 lg(4 pi d / lambda) (ITU-R P.525, basic loss)."""
    frequency = np.asarray(frequency_hz, dtype=float)
    turns = 4.0 * np.pi * distance_m * frequency / SPEED_OF_LIGHT_M_PER_S
    return _like(frequency_hz, 20.0 * np.log10(turns))


def wavelength_m(frequency_hz: float) -> float:
    """Free-space wavelength, m."""
    return SPEED_OF_LIGHT_M_PER_S / frequency_hz


def _like(given: ArrayLike, value: FloatArray) -> float | FloatArray:
    """A plain float where a number was given, an array where an array was."""
    return value if isinstance(given, np.ndarray) else float(value)
