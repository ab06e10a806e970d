"""Drift of a baseline over a night: how long it may be used, and the effect of temperature."""

from __future__ import annotations

import math

import numpy as np

from benchd.reduce.distributions import coverage_factor, t_quantile
from benchd.reduce.drift import (
    Age,
    drift_over_age_db,
    largest_max_age,
    reading_noise_db,
    temperature_coefficient,
    temperature_slope_sd,
)
from benchd.reduce.qualify.spreads import ends_hz
from benchd.reduce.qualify.verdict import Judgement, decibels, judged, verdict
from benchd.reduce.uncertainty import combine, term
from benchd.results import Result
from benchd.traces import FloatArray

DEFAULT_LIMIT_DB = 0.1
"""Largest drift of a baseline that is allowed, dB. As half-width of a rectangular term it makes
0.06 dB, which is negligible beside the standard uncertainty of a return loss of 10 dB (0.44 dB)."""

SCALE_BENDS_WITHIN_DB = 7.0
"""Change of level, dB, over which the error of an analyzer's scale changes by its own half-width.
It was 10 and 6 dB for the scales of the two kinds of virtual analyzer in the coverage study; there
is no source for real ones."""

LEAST_SWING_K = 0.3
"""Smallest change of temperature, K, from which a slope is found. Thermometers show tenths of a
kelvin; fewer than three of these steps give no useful slope."""


def drift_results(
    frequency_hz: FloatArray,
    times_s: FloatArray,
    levels_db: FloatArray,
    *,
    limit_db: float = DEFAULT_LIMIT_DB,
    needed_s: float,
    temperature_c: FloatArray | None = None,
    linearity_db: float = 0.3,
) -> list[Result]:
    """`max_age`, `drift` (largest change within the age needed, and over the whole watch),
    `temperature_coefficient` where the room's temperature changed, and the verdict.

    times_s: shape (captures,), rising; levels_db: shape (captures, n).
    needed_s: the greatest age at which baselines are used.
    linearity_db: half-width of the analyzer's scale error; without it, the default of
        `benchd.reduce.budget_inputs`.

    Raises ReductionRefused for fewer than 3 captures.
    """
    band = ends_hz(frequency_hz)
    age = largest_max_age(times_s, levels_db, limit_db)
    results = [_max_age(age, band)]
    for quantity, over_s in (
        ("drift", min(needed_s, age.longest_s)),
        ("drift_whole_watch", age.longest_s),
    ):
        # Two captures exactly one age apart count, also where rounding makes them a little further.
        size_db = drift_over_age_db(times_s, levels_db, over_s * (1.0 + 1e-9))
        results.append(
            Result(
                quantity=quantity,
                value=size_db,
                unit="dB",
                expanded_uncertainty=None,
                coverage_factor=None,
                band_hz=band,
                note=f"Largest change of any frequency within {duration(over_s)}.",
            )
        )
    if temperature_c is not None and np.ptp(temperature_c) >= LEAST_SWING_K:
        results.append(_coefficient(temperature_c, levels_db, band, linearity_db))
    judgement = _judged(times_s, levels_db, limit_db, needed_s)
    note = _words(age, judgement, needed_s, results)
    return [*results, verdict("drift", judgement, note, band_hz=band)]


def _judged(
    times_s: FloatArray, levels_db: FloatArray, limit_db: float, needed_s: float
) -> Judgement:
    """The largest change within the needed age, with the effect of noise, against the limit.

    A watch that was shorter than the needed age can show that the drift is too large, but not that
    it is small enough. Noise makes the largest of many changes look larger. So its lower end allows
    for all frequencies together (Bonferroni), its upper end only for the noise of two readings.
    """
    age_s = min(needed_s, float(times_s[-1] - times_s[0]))
    change_db = drift_over_age_db(times_s, levels_db, age_s * (1.0 + 1e-9))
    noise_db = math.sqrt(2.0) * reading_noise_db(times_s, levels_db)
    of_many = t_quantile(1.0 - 0.025 / levels_db.size, math.inf)
    low_db = max(0.0, change_db - of_many * noise_db)
    high_db = change_db + coverage_factor(math.inf) * noise_db
    return judged(low_db, high_db if age_s >= needed_s else None, most=limit_db)


def _max_age(age: Age, band: tuple[float, float]) -> Result:
    return Result(
        quantity="max_age",
        value=age.max_age_s,
        unit="s",
        expanded_uncertainty=None,
        coverage_factor=None,
        band_hz=band,
        flags=("edge-of-watch",) if age.is_whole_watch else (),
        note=f"Keeps drift within {decibels(age.limit_db)}; {decibels(age.worst_db)} was the most.",
    )


def _coefficient(
    temperature_c: FloatArray, levels_db: FloatArray, band: tuple[float, float], linearity_db: float
) -> Result:
    slope = temperature_coefficient(temperature_c, levels_db)
    freedom = max(slope.degrees_of_freedom, 1.0)
    # The thermometer's readings are rounded to 0.1 K. The slope's relative uncertainty is that
    # of the temperature difference: rectangular, at both ends.
    rounding = abs(slope.value) * 0.05 / float(np.ptp(temperature_c))
    budget = combine(
        [
            term(
                "fit",
                temperature_slope_sd(temperature_c, levels_db),
                "dB/K",
                degrees_of_freedom=freedom,
            ),
            # Changes of a few hundredths of a dB are all read at one level, where the steepness of
            # the analyzer's scale is in error. The slope has the same relative error.
            term(
                "analyzer's scale",
                abs(slope.value) * linearity_db / SCALE_BENDS_WITHIN_DB,
                "dB/K",
                "rectangular",
            ),
            term("thermometer's last digit", rounding * 2.0**0.5, "dB/K", "rectangular"),
        ],
        estimate=slope.value,
    )
    return Result.of_budget(
        quantity="temperature_coefficient",
        value=slope.value,
        unit="dB/K",
        budget=budget,
        band_hz=band,
        note=f"Over {float(np.ptp(temperature_c)):.1f} K; time and temperature go together, so "
        "part of it may be ageing or warming up.",
    )


def _words(age: Age, judgement: Judgement, needed_s: float, results: list[Result]) -> str:
    limit, needed = decibels(age.limit_db), duration(needed_s)
    slope = next((one for one in results if one.quantity == "temperature_coefficient"), None)
    warm = "" if slope is None else f" Temperature changes it by {slope.value:+.3f} dB per kelvin."
    if judgement is Judgement.UNSURE and age.longest_s >= needed_s:
        return (
            f"Within {needed} it drifts by about {limit}, and the noise of the readings hides on "
            f"which side of it: average more, or watch again.{warm}"
        )
    if age.is_whole_watch and age.longest_s >= needed_s:
        return (
            f"Nothing drifted by more than {limit} in {duration(age.longest_s)}: set max_age to "
            f"{duration(age.longest_s)}; longer was not watched.{warm}"
        )
    if age.is_whole_watch:
        return (
            f"Nothing drifted by more than {limit}, but the watch lasted only "
            f"{duration(age.longest_s)}, and {needed} are needed: watch longer.{warm}"
        )
    if age.max_age_s >= needed_s:
        longest = duration(age.max_age_s)
        return f"Set max_age to {longest}: up to then drift keeps within {limit}.{warm}"
    if age.max_age_s <= 0.0:
        return (
            f"Even from one baseline to the next it drifts by more than {limit}: let the "
            f"instruments warm up, keep the room's temperature even, clamp the cables.{warm}"
        )
    return (
        f"Drift keeps within {limit} only for {duration(age.max_age_s)}, not the {needed} needed: "
        f"set max_age to that, or keep the room's temperature even and watch again.{warm}"
    )


def duration(seconds: float) -> str:
    """A length of time in words."""
    for size, unit in ((3600.0, "h"), (60.0, "min")):
        if seconds >= size:
            return f"{seconds / size:.3g} {unit}"
    return f"{seconds:.3g} s"
