"""Return loss, VSWR, reflection magnitude and mismatch loss at given frequencies.

Input is a normalised trace: P_test - P_baseline in dB, so that RL = -trace. Work is done in the
linear magnitude gamma, where the coupler's errors add: dRL = -8.686 d(gamma)/gamma.

The intervals of all four quantities follow from that of gamma, since each rises or falls with gamma
throughout: probabilistically symmetric intervals stay so (JCGM 101, 5.3.3).
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from benchd.errors import ReductionRefused
from benchd.reduce.budget_inputs import ASSUMED_TERM, ReflectionKnowledge
from benchd.reduce.decibels import (
    NEPER_DB,
    gamma_from_return_loss,
    mismatch_loss_db,
    return_loss_from_gamma,
    vswr_from_gamma,
)
from benchd.reduce.montecarlo import (
    SEED,
    TRIALS,
    linear_draws,
    wants_draws,
    with_interval,
)
from benchd.reduce.near_leak import largest_magnitude, magnitude_interval, may_be_nothing
from benchd.reduce.noise import (
    carrier_level_dbm,
    correction_standard_db,
    reading_standard_db,
)
from benchd.reduce.reflectometer import baseline_leftover_db, gamma_draws
from benchd.reduce.shared_draws import SharedDraws
from benchd.reduce.uncertainty import combine, has_assumed, scaled, term
from benchd.reduce.uneven import is_even, roughness_db
from benchd.results import Budget, Result, Term
from benchd.sweeps import POWER
from benchd.traces import FloatArray

NEAR_NOISE_DB = 10.0
"""Carrier to noise ratio, dB, below which a reading is flagged: the rms bias is 0.41 dB there."""

LEAST_ABOVE_NOISE_DB = -10.0
"""A carrier that is found below this, dB against the noise, counts as noise: the reading is then
only 0.41 dB above that of noise alone, which is less than readings scatter. Only a smallest return
loss is then stated."""

NO_NOISE_MARGIN = "no-noise-margin"
"""Flag of a value that noise alone could have given: a broken path reads the same."""

BELOW = "below-directivity"
"""Flag of a reading that the leak alone could have given."""

BELOW_DIRECTIVITY = 1.5
"""Below this many times the directivity d, only a limit is stated for a reflection.

Two-sided intervals contain the true value in 93 % or more of cases down to gamma = 0.7 d, and fail
below (simulated: 82 % at 0.3 d). A reading with gamma below 0.7 d never exceeds 1.7 d.
"""

LEAST_GAMMA_SQUARED = 1e-30
"""Smallest gamma^2 in calculations, so that no logarithm of zero is taken. No analyzer resolves the
300 dB return loss that it stands for."""

COUPLER_TERMS = frozenset(
    {"directivity", "source match", "baseline left-over", "connector reflection", "box walls"}
)
"""Terms that are drawn by the full model of `reflectometer`; the others scale the reading."""

NOISE_TERMS = frozenset({"noise", "noise correction"})
"""Terms that add to the power of a reading."""

LARGEST_NOISE = 0.51
"""If the standard deviation by noise exceeds this share of the reading's power, noise alone may
have given the reading: zero power then lies within 1.96 standard deviations."""

LEAST_POWER = 1e-3
"""Smallest share of a reading's power that is left when a draw of the noise is subtracted."""

QUANTITIES = ("return_loss", "vswr", "reflection_magnitude", "mismatch_loss")


@dataclass(frozen=True, slots=True)
class ReflectionPoint:
    """The reflection at one frequency.

    gamma: best value of the magnitude, noise bias removed; gamma_low, gamma_high: ends of its
        95 % interval; gamma_low is None where only an upper limit can be stated.
    budget: of the return loss, dB. Its `low`, `high` are meaningless where gamma_low is None.
    """

    frequency_hz: float
    gamma: float
    gamma_low: float | None
    gamma_high: float
    budget: Budget
    flags: tuple[str, ...]


def return_loss_terms(gamma: float, knowledge: ReflectionKnowledge) -> tuple[Term, ...]:
    """Terms of a scalar return loss at magnitude gamma, in dB, noise left out.

    Directivity and source match enter as gamma +- d and gamma +- S gamma^2 (u-shaped, phase
    unknown). The reflection of the joint enters as gamma + r (normal, since its size and its phase
    are random). The others enter directly in dB.
    """
    known = knowledge
    directivity = gamma_from_return_loss(known.directivity_db.value)
    match = gamma_from_return_loss(known.source_match_db.value)
    return (
        term(
            "directivity",
            directivity,
            "1",
            "u-shaped",
            sensitivity=-NEPER_DB / gamma,
            degrees_of_freedom=known.directivity_db.degrees_of_freedom,
            assumed=known.directivity_db.assumed,
        ),
        term(
            "source match",
            match,
            "1",
            "u-shaped",
            sensitivity=-NEPER_DB * gamma,
            degrees_of_freedom=known.source_match_db.degrees_of_freedom,
            assumed=known.source_match_db.assumed,
        ),
        _tracking(directivity, match, known),
        _db("linearity", known, "linearity_db", "rectangular"),
        _db("connector", known, "connector_sd_db", "normal"),
        term(
            "connector reflection",
            known.joint_gamma_sd.value,
            "1",
            sensitivity=-NEPER_DB / gamma,
            degrees_of_freedom=known.joint_gamma_sd.degrees_of_freedom,
            assumed=known.joint_gamma_sd.assumed,
        ),
        _db("drift", known, "drift_db", "rectangular"),
        *_harmonics(gamma, known),
        *_walls(gamma, known),
    )


def correction_terms(gamma: float, known: ReflectionKnowledge) -> tuple[Term, ...]:
    """The term for the error of the subtracted noise power, at magnitude gamma; none far above
    it."""
    if known.dynamic_range_db is None or known.noise_floor_sd_db.value == 0.0:
        return ()
    size_db = correction_standard_db(
        20.0 * math.log10(gamma) + known.dynamic_range_db.value,
        known.detector,
        known.noise_floor_sd_db.value,
    )
    if known.detector == POWER:
        return (term("zero drift", size_db, "dB", source="zero drift"),)
    # One value of the noise is used at every frequency.
    return (term("noise correction", size_db, "dB", source="noise correction"),)


def _harmonics(gamma: float, known: ReflectionKnowledge) -> tuple[Term, ...]:
    """The term for harmonics of power h, which a receiver without a filter reads besides the
    carrier.

    The antenna may reflect all of the harmonics, but only gamma^2 of the carrier, so that
    d(10 lg gamma^2) = 4.343 h / gamma^2.
    """
    found = known.harmonics
    if found is None:
        return ()
    slope = -NEPER_DB / 2.0 / gamma**2
    return (
        term(
            "harmonics", found.value, "1", "rectangular", sensitivity=slope, assumed=found.assumed
        ),
    )


def _walls(gamma: float, known: ReflectionKnowledge) -> tuple[Term, ...]:
    """The term for the echo of the walls, for a value that is to hold in free space.

    The antenna transmits and receives sqrt(1 - gamma^2) of a wave each time, so an echo p changes
    its reflection by p (1 - gamma^2), at an unknown phase.
    """
    wall = known.wall_gamma
    if wall is None:
        return ()
    slope = -NEPER_DB * max(0.0, 1.0 - gamma**2) / gamma
    return (
        term(
            "box walls",
            wall.value,
            "1",
            "u-shaped",
            sensitivity=slope,
            degrees_of_freedom=wall.degrees_of_freedom,
            assumed=wall.assumed,
        ),
    )


def _tracking(directivity: float, match: float, known: ReflectionKnowledge) -> Term:
    if known.tracking_db is not None:
        return _db("tracking", known, "tracking_db", "rectangular")
    return term(
        "baseline left-over",
        baseline_leftover_db(directivity, match, known.baseline),
        "dB",
        "u-shaped",
        source=f"left-over of {known.baseline_source}" if known.baseline_source else "",
        assumed=known.directivity_db.assumed or known.source_match_db.assumed,
    )


def _db(name: str, known: ReflectionKnowledge, field: str, shape: str) -> Term:
    item = getattr(known, field)
    return term(
        name,
        item.value,
        "dB",
        "rectangular" if shape == "rectangular" else "normal",
        degrees_of_freedom=item.degrees_of_freedom,
        source=item.source,
        assumed=item.assumed,
    )


def reflection_at(
    frequency_hz: FloatArray,
    ratio_db: FloatArray,
    at_hz: float,
    knowledge: ReflectionKnowledge,
    *,
    seed: int = SEED,
    trials: int = TRIALS,
) -> ReflectionPoint:
    """Reflection at one frequency of a normalised trace, both arrays shape (n,).

    trials: number of draws for its interval.

    Between points gamma^2 is interpolated by a straight line, since it is smooth through a
    resonance, unlike the level in dB. The error of that interpolation is a term of the budget.
    Raises ReductionRefused where the frequency lies outside the trace.
    """
    squared, miss = _gamma_squared_at(frequency_hz, ratio_db, at_hz)
    reading_db = 10.0 * math.log10(squared)
    gamma, noise, near_noise = _noise(reading_db, frequency_hz, ratio_db, knowledge)
    if gamma == 0.0:
        return _only_noise(at_hz, reading_db, knowledge)
    terms = (*return_loss_terms(gamma, knowledge), noise, *correction_terms(gamma, knowledge))
    if miss > 0.0:
        # If the interpolation may be wrong by more than nine tenths of the value, it tells nothing:
        # 10 dB is then stated for it.
        half_width_db = -NEPER_DB / 2.0 * math.log1p(-min(miss / squared, 0.9))
        terms = (*terms, term("interpolation", half_width_db, "dB", "rectangular"))
    flags = ("near-noise",) if near_noise else ()
    return _settled(at_hz, gamma, terms, knowledge, flags, seed, trials)


def _gamma_squared_at(
    frequency_hz: FloatArray, ratio_db: FloatArray, at_hz: float
) -> tuple[float, float]:
    """gamma^2 at a frequency, and the largest error of the interpolation: |second difference|/8."""
    slack = 1e-9 * at_hz
    if not frequency_hz[0] - slack <= at_hz <= frequency_hz[-1] + slack:
        raise ReductionRefused(
            f"{at_hz / 1e6:.6g} MHz lies outside the trace, which runs from "
            f"{frequency_hz[0] / 1e6:.6g} to {frequency_hz[-1] / 1e6:.6g} MHz",
            advice="Ask for a frequency inside the sweep, or widen the sweep.",
        )
    squared = np.maximum(10.0 ** (ratio_db / 10.0), LEAST_GAMMA_SQUARED)
    nearest = int(np.argmin(np.abs(frequency_hz - at_hz)))
    if abs(frequency_hz[nearest] - at_hz) <= slack or squared.size < 3:
        return float(squared[nearest]), 0.0
    right = int(np.clip(np.searchsorted(frequency_hz, at_hz), 1, squared.size - 1))
    around = slice(max(0, right - 2), right + 2)
    bends = np.diff(squared[around], n=2)
    if not is_even(frequency_hz):
        # The second derivative by divided differences, over the gap that the frequency lies in.
        f, gap_hz = frequency_hz[around], float(frequency_hz[right] - frequency_hz[right - 1])
        bends = 2.0 * np.diff(np.diff(squared[around]) / np.diff(f)) / (f[2:] - f[:-2]) * gap_hz**2
    bend = float(np.max(np.abs(bends))) / 8.0
    return float(np.interp(at_hz, frequency_hz, squared)), bend


def _noise(
    reading_db: float,
    frequency_hz: FloatArray,
    ratio_db: FloatArray,
    known: ReflectionKnowledge,
) -> tuple[float, Term, bool]:
    """Magnitude with its noise bias removed, the noise term, and whether noise is near."""
    gamma = 10.0 ** (reading_db / 20.0)
    if known.dynamic_range_db is None:
        item = known.noise_sd_db
        size = roughness_db(ratio_db, frequency_hz) if item is None else item.value
        return gamma, term("noise", size, "dB", assumed=bool(item and item.assumed)), False
    noise_db = -known.dynamic_range_db.value
    level_db = carrier_level_dbm(reading_db, noise_db, known.detector)
    ratio = level_db - noise_db
    if ratio < LEAST_ABOVE_NOISE_DB:
        return 0.0, term("noise", 0.0, "dB"), True
    size = reading_standard_db(ratio, known.detector, known.independent_samples)
    if known.noise_sd_db is not None:
        size = max(size, known.noise_sd_db.value)
    noise = term("noise", size, "dB", assumed=known.dynamic_range_db.assumed)
    return 10.0 ** (level_db / 20.0), noise, ratio < NEAR_NOISE_DB


def _only_noise(at_hz: float, reading_db: float, known: ReflectionKnowledge) -> ReflectionPoint:
    """The point for a reading that is not above the noise: it limits the sum of reflection and
    leak."""
    gamma = 10.0 ** (reading_db / 20.0)
    directivity = gamma_from_return_loss(known.directivity_db.value)
    empty = combine((), estimate=-reading_db)
    flags = ("near-noise", NO_NOISE_MARGIN, *_directivity_flags(gamma, directivity))
    return ReflectionPoint(at_hz, gamma, None, gamma + directivity, empty, flags)


def _directivity_flags(gamma: float, directivity: float) -> tuple[str, ...]:
    return (BELOW,) if gamma < BELOW_DIRECTIVITY * directivity else ()


def _settled(
    at_hz: float,
    gamma: float,
    terms: tuple[Term, ...],
    known: ReflectionKnowledge,
    flags: tuple[str, ...],
    seed: int,
    trials: int,
) -> ReflectionPoint:
    value_db = -NEPER_DB * math.log(gamma)
    budget = combine(terms, estimate=value_db)
    directivity = gamma_from_return_loss(known.directivity_db.value)
    alone = SharedDraws([seed, 1])
    below = gamma < BELOW_DIRECTIVITY * directivity or may_be_nothing(gamma, known, alone, trials)
    flags += (BELOW,) if below else ()
    noise = _noise_share(terms)
    if noise > LARGEST_NOISE:
        flags += (NO_NOISE_MARGIN,)
    if has_assumed(terms):
        flags += (ASSUMED_TERM,)
    only_limit = below or noise > LARGEST_NOISE
    if not only_limit and not wants_draws(terms, relative_standard=budget.standard / NEPER_DB):
        ends = [gamma_from_return_loss(end) for end in (budget.high, budget.low)]
        return ReflectionPoint(at_hz, gamma, ends[0], ends[1], budget, flags)
    draws = gamma_draws(gamma, *_scale_draws(terms, known, seed, trials))
    if only_limit:
        limit = largest_magnitude(draws)
        drawn = replace(budget, method="monte-carlo", trials=trials, seed=seed)
        return ReflectionPoint(at_hz, gamma, None, limit, drawn, flags)
    low, high = magnitude_interval(draws)
    drawn = with_interval(
        budget, -NEPER_DB * math.log(high), -NEPER_DB * math.log(low), trials=trials, seed=seed
    )
    return ReflectionPoint(at_hz, gamma, low, high, drawn, flags)


def _scale_draws(
    terms: tuple[Term, ...], known: ReflectionKnowledge, seed: int, trials: int
) -> tuple[FloatArray, ReflectionKnowledge, np.random.Generator]:
    """Draws of the errors in dB, without those of the coupler, which the full model draws."""
    rng = SharedDraws(seed)
    outside = [line for line in terms if line.name not in COUPLER_TERMS | NOISE_TERMS]
    errors_db = linear_draws(outside, rng, trials)
    power = 1.0 + _noise_share(terms) * rng.standard_normal(trials)
    return errors_db - 10.0 * np.log10(np.maximum(power, LEAST_POWER)), known, rng


def _noise_share(terms: tuple[Term, ...]) -> float:
    """Standard deviation by noise of a reading's power, relative to that power.

    Noise adds to the power, so near the noise the power is normal and not the level in dB. The same
    reading may come from a much smaller reflection, but not from a much larger one.
    """
    sizes = [line.contribution for line in terms if line.name in NOISE_TERMS]
    return math.hypot(*sizes) * 2.0 / NEPER_DB


def reflection_results(
    frequency_hz: FloatArray,
    ratio_db: FloatArray,
    at_hz: Sequence[float],
    knowledge: ReflectionKnowledge,
    *,
    quantities: Sequence[str] = QUANTITIES,
    seed: int = SEED,
) -> tuple[Result, ...]:
    """Results at each frequency for each quantity, in that order.

    Raises ReductionRefused for a frequency outside the trace or an unknown quantity.
    """
    unknown = [name for name in quantities if name not in QUANTITIES]
    if unknown:
        raise ReductionRefused(
            f"unknown reflection quantity {', '.join(unknown)}, known are {', '.join(QUANTITIES)}"
        )
    points = [
        reflection_at(frequency_hz, ratio_db, float(at), knowledge, seed=seed) for at in at_hz
    ]
    return tuple(point_result(point, name) for point in points for name in quantities)


def point_result(point: ReflectionPoint, quantity: str) -> Result:
    """One quantity of QUANTITIES at a point.

    Return loss falls with gamma, the others rise. If the interval is open on one side, its end is
    None. Above a full reflection (`above-baseline`) VSWR and mismatch loss are reported at the
    lower end of the interval, as their smallest possible values.
    """
    flags = point.flags
    gamma, low, high = point.gamma, point.gamma_low, point.gamma_high
    if gamma >= 1.0:
        flags = (*flags, "above-baseline")
    if quantity in ("vswr", "mismatch_loss") and gamma >= 1.0:
        gamma = min(low or 0.0, 1.0 - 1e-6)
    value, slope = _value_and_slope(quantity, gamma)
    ends = [
        None if g is None or not _finite(quantity, g) else _of(quantity, g) for g in (low, high)
    ]
    if quantity == "return_loss":
        ends.reverse()
    open_ended = None in ends
    # d(quantity)/d(RL), which converts the lines of the budget; for RL itself it is 1.
    factor = 1.0 if quantity == "return_loss" else -slope * gamma / NEPER_DB
    budget = _carried(point.budget, factor, ends)
    return Result(
        quantity=quantity,
        value=value,
        unit="dB" if quantity in ("return_loss", "mismatch_loss") else "1",
        expanded_uncertainty=None if open_ended else budget.expanded,
        coverage_factor=None if open_ended else budget.coverage_factor,
        low=ends[0],
        high=ends[1],
        frequency_hz=point.frequency_hz,
        flags=tuple(dict.fromkeys(flags)),
        budget=budget,
        note=_note(quantity, ends),
    )


def _carried(budget: Budget, factor: float, ends: Sequence[float | None]) -> Budget:
    low, high = ends
    standard = budget.standard * abs(factor)
    known = low is not None and high is not None
    expanded = (high - low) / 2.0 if low is not None and high is not None else budget.expanded
    return replace(
        budget,
        terms=scaled(budget.terms, factor),
        standard=standard,
        expanded=expanded if known else budget.coverage_factor * standard,
        coverage_factor=expanded / standard if known and standard else budget.coverage_factor,
        low=low if low is not None else -math.inf,
        high=high if high is not None else math.inf,
    )


def _value_and_slope(quantity: str, gamma: float) -> tuple[float, float]:
    """A quantity and d(quantity)/d(gamma)."""
    value = _of(quantity, gamma)
    if quantity == "return_loss":
        return value, -NEPER_DB / gamma
    if quantity == "vswr":
        return value, 2.0 / (1.0 - gamma) ** 2
    if quantity == "mismatch_loss":
        return value, NEPER_DB * gamma / (1.0 - gamma**2)
    return value, 1.0


def _of(quantity: str, gamma: float) -> float:
    if quantity == "return_loss":
        return return_loss_from_gamma(gamma)
    if quantity == "vswr":
        return vswr_from_gamma(gamma)
    return mismatch_loss_db(gamma) if quantity == "mismatch_loss" else gamma


def _finite(quantity: str, gamma: float) -> bool:
    return gamma > 0.0 if quantity == "return_loss" else gamma < 1.0 or quantity[0] == "r"


def _note(quantity: str, ends: Sequence[float | None]) -> str:
    low, high = ends
    unit = " dB" if quantity in ("return_loss", "mismatch_loss") else ""
    if high is None and low is not None:
        return f"At least {low:.3g}{unit} (95 %, one-sided)."
    if low is None and high is not None:
        return f"At most {high:.3g}{unit} (95 %, one-sided)."
    return ""
