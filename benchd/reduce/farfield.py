"""Whether the range is long enough: distances beyond which far-field formulas hold."""

from __future__ import annotations

import math

from benchd.reduce.decibels import NEPER_DB, wavelength_m

REACTIVE_MARGIN = 3.0
"""Least distance as a multiple of lambda/2 pi. Beyond it the terms in 1/r^2 and 1/r^3 of a short
dipole's field change its magnitude by under 0.5 dB (at three: 1 - 1/9 + 1/81 gives -0.45 dB)."""


def far_field_distance_m(frequency_hz: float, largest_dimension_m: float) -> float:
    """2 D^2/lambda (IEEE Std 149, from memory): a phase error of 22.5 degrees over D."""
    return 2.0 * largest_dimension_m**2 / wavelength_m(frequency_hz)


def reactive_distance_m(frequency_hz: float) -> float:
    """lambda/2 pi: inside, the stored field dominates."""
    return wavelength_m(frequency_hz) / (2.0 * math.pi)


def range_flags(
    frequency_hz: float, range_m: float, largest_dimensions_m: tuple[float, ...]
) -> tuple[str, ...]:
    """`near-field` where the range is under 2 D^2/lambda of any antenna, or under 3 lambda/2 pi."""
    limits = [far_field_distance_m(frequency_hz, size) for size in largest_dimensions_m]
    limits.append(REACTIVE_MARGIN * reactive_distance_m(frequency_hz))
    return ("near-field",) if range_m < max(limits) else ()


def phase_centre_correction_db(range_m: float, forward_m: float) -> float:
    """Correction to add to a gain, dB, if the phase centre is `forward_m` nearer than the range.

    Example: a 5-element Yagi whose range of 0.4 m is measured from its driven element, and whose
    phase centre lies 41 mm ahead of it, reads 0.93 dB high. So 20 lg(r/(r - forward)) is
    subtracted. Raises ValueError if forward_m is not less than the range.
    """
    if not forward_m < range_m:
        raise ValueError(f"the phase centre {forward_m} m forward lies beyond the range {range_m}")
    return NEPER_DB * math.log1p(-forward_m / range_m)
