"""Trim advice: how much to cut off each arm so that the resonance meets the target.

A resonant length scales as 1/f (common practice, no source): an arm of length L that resonates
at f should be L f/f_target long. The law is not exact: end effect, thickness and matching section
do not scale, and the echo of a box's walls shifts the dip by an amount that changes with frequency.
The thicker the wire, the wider its dip, and the more the same echo shifts it. So the error of the
law depends on the slenderness (`scaling_error`). For an element among others (the driven one of a
Yagi) the error may be as large as the change itself, since the other elements are not changed.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from benchd.errors import ReductionRefused
from benchd.reduce.budget_inputs import ASSUMED_TERM, Known
from benchd.reduce.distributions import coverage_factor
from benchd.reduce.montecarlo import settle
from benchd.reduce.resonance import Resonance
from benchd.reduce.uncertainty import has_assumed, term
from benchd.results import Result
from benchd.rounding import rounded_words, size_words

ARM_LENGTH_SD_M = Known(0.3e-3, assumed=True)

SLENDERNESS = (12.0, 20.0, 30.0, 50.0, 80.0, 150.0, 300.0)
SCALING_ERRORS = (0.44, 0.36, 0.31, 0.25, 0.21, 0.18, 0.15)
"""Relative error of the law for each slenderness (arm length over wire radius), as the half-width
of a rectangular distribution. Its 95 % range is that of dipoles calculated with NEC2, 2 to 6 % too
long, in simulated absorber-lined boxes of a workshop's size between 0.87 and 2.4 GHz
(`tests/coverage_study/trim_law.py` calculates them again). For thinner wire the last value is used,
for thicker wire the first."""


def scaling_error(slenderness: float | None) -> Known:
    """Half-width of the relative error of the 1/f law, from arm length over wire radius.

    None, a thickness that is not stated, gets the value of the thickest wire.
    """
    if slenderness is None:
        return Known(SCALING_ERRORS[0], assumed=True)
    # Thickness acts through its logarithm (King and Middleton's expansion parameter, from memory).
    return Known(float(np.interp(math.log(slenderness), np.log(SLENDERNESS), SCALING_ERRORS)))


SCALING_ERROR = scaling_error(None)


@dataclass(frozen=True, slots=True)
class TrimKnowledge:
    """arm_length_sd_m: standard uncertainty of the stated arm length.

    scaling_error: half-width of the relative error of the change that 1/f scaling predicts.
    """

    arm_length_sd_m: Known = ARM_LENGTH_SD_M
    scaling_error: Known = SCALING_ERROR


@dataclass(frozen=True, slots=True)
class Trim:
    """remove_m: to take off each arm, m; negative where the arm is too short.

    next_cut_m: what to cut before measuring again: half of it; 0 where nothing should be cut.
    """

    remove_m: float
    next_cut_m: float
    result: Result


def trim_per_arm_m(arm_length_m: float, resonance_hz: float, target_hz: float) -> float:
    """Length to remove from each arm, m: L (1 - f/f_target); negative for too short an arm."""
    return arm_length_m * (1.0 - resonance_hz / target_hz)


def trim(
    found: Resonance,
    arm_length_m: float,
    target_hz: float,
    knowledge: TrimKnowledge | None = None,
) -> Trim:
    """Advice from a resonance, as result `trim_per_arm` in m (positive: remove).

    Flags: `cannot-trim-too-short`, and those of the resonance.
    Raises ReductionRefused where no resonance was found.
    """
    if found.budget is None:
        raise ReductionRefused(
            f"no trim advice: no resonance inside the band ({', '.join(found.flags)})",
            advice="Widen the sweep until it holds the minimum.",
        )
    known = knowledge or TrimKnowledge()
    remove_m = trim_per_arm_m(arm_length_m, found.frequency_hz, target_hz)
    terms = (
        term(
            "resonance",
            found.budget.expanded,
            "Hz",
            "expanded",
            # The half-width of its 95 % interval counts, whatever the shape behind it.
            divisor=coverage_factor(math.inf),
            sensitivity=-arm_length_m / target_hz,
            assumed=ASSUMED_TERM in found.flags,
        ),
        term(
            "arm length",
            known.arm_length_sd_m.value,
            "m",
            sensitivity=remove_m / arm_length_m,
            assumed=known.arm_length_sd_m.assumed,
        ),
        term(
            "scaling with 1/f",
            known.scaling_error.value,
            "1",
            "rectangular",
            sensitivity=remove_m,
            assumed=known.scaling_error.assumed,
        ),
    )
    budget = settle(terms, estimate=remove_m)
    unsure = abs(remove_m) <= budget.expanded
    next_cut_m = 0.0 if unsure or remove_m < 0.0 else remove_m / 2.0
    flags = tuple(flag for flag in found.flags if flag != ASSUMED_TERM)
    if remove_m < 0.0 and not unsure:
        flags += ("cannot-trim-too-short",)
    if has_assumed(terms):
        flags += (ASSUMED_TERM,)
    result = Result.of_budget(
        quantity="trim_per_arm",
        value=remove_m,
        unit="m",
        budget=budget,
        frequency_hz=target_hz,
        flags=flags,
        note=_advice(remove_m, budget.expanded, next_cut_m),
    )
    return Trim(remove_m, next_cut_m, result)


def _advice(remove_m: float, expanded_m: float, next_cut_m: float) -> str:
    sure = size_words(expanded_m, "m")
    size = f"{rounded_words(abs(remove_m), expanded_m, 'm')} ± {sure} per arm"
    if next_cut_m > 0.0:
        return (
            f"Too long by {size}. Remove half of it, "
            f"{rounded_words(next_cut_m, expanded_m, 'm')} per arm, then measure again: "
            "what is cut off cannot be put back."
        )
    if remove_m < 0.0 and abs(remove_m) > expanded_m:
        return f"Too short by {size}: cannot be trimmed; make a longer arm."
    return f"Off by {size}, within the uncertainty: leave it, or measure more surely first."
