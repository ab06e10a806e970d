"""Trim advice from an antenna's own history: what earlier cuts did tells what the next will do.

By the 1/f law (common practice, no source) the resonance of an arm of length L rises from f to
f_target when L (1 - f/f_target) is taken off. How far one antenna in its box departs from that
law hardly changes while it is trimmed. So the response, the change that the law would have needed
for the shift that was seen over the length that was really taken off, is measured on the looks so
far, and holds nearly unchanged for what is left. The law (response 1) and the own response are
averaged, each weighted by the inverse of its variance (JCGM 100, F.1.2.4, for two independent
estimates of one quantity).

Two looks of one session share baseline and coupler, so the uncertainty of the shift between them is
far smaller than that of either resonance (`benchd.reduce.revisions`).
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Literal

from benchd.reduce.budget_inputs import ASSUMED_TERM
from benchd.reduce.distributions import coverage_factor
from benchd.reduce.montecarlo import settle
from benchd.reduce.resonance import Resonance
from benchd.reduce.trim import TrimKnowledge, trim_per_arm_m
from benchd.reduce.trim_limits import limit_words
from benchd.reduce.uncertainty import has_assumed, term
from benchd.results import Budget, Result, Term
from benchd.rounding import number_words, rounded_words, size_words

REMOVED_SD_M = 0.06e-3
"""Standard uncertainty of one length taken off, as a person reads it from a caliper after filing
(from memory: 0.1 mm either way, rectangular)."""

LOCAL_CHANGE = 3.0
"""How much the response changes along a trim: its standard deviation, as a multiple of the law's
relative error times the relative distance of the first look from the target. From dipoles
calculated with NEC2, 2 to 6 % too long, in simulated absorber-lined boxes: 2.5 to 3.1 for arms of
12 to 300 wire radii (`tests/reduce/test_trim_history.py` holds it)."""

LEAST_RESPONSE = 0.3
"""No antenna's resonance moves less than this share of what its length says; what looks less is
error of the readings."""

DOUBTED_SD = 4.0
"""An own response that lies farther from the law than so many standard deviations of both comes of
a length that was typed wrong (15 for 1.5), or of another antenna (common practice, no source)."""

LEAST_CUT_M = 0.05e-3
"""A cut smaller than this is not advised: a file takes off more in one stroke."""

State = Literal["cut", "stop", "too-short"]

LENGTH_DOUBTED = "removed-length-doubtful"
TOO_SHORT = "cannot-trim-too-short"


@dataclass(frozen=True, slots=True)
class Shift:
    """What is known of two looks between which every length taken off is known.

    from_hz, to_hz: their resonances. standard_hz: of the difference, by errors that they do not
    share. removed_m: off each arm between them, in `cuts` steps.
    """

    from_hz: float
    to_hz: float
    standard_hz: float
    removed_m: float
    cuts: int


@dataclass(frozen=True, slots=True)
class Response:
    """Shift that was seen over the shift that the 1/f law expects; 1 where the law holds.

    own: by the looks alone; None where there are not yet two with the length between them.
    weight: of the own response in the value, 0 to 1.
    doubted: the own response lies so far from the law that a length was hardly typed as it was cut;
        then the law alone counts.
    """

    value: float
    standard: float
    own: float | None
    own_standard: float | None
    weight: float
    doubted: bool = False


@dataclass(frozen=True, slots=True)
class Advice:
    """What to do after a look.

    remove_m: left to take off each arm; negative where the antenna is too short already.
    next_cut_m: what to take off before the next look; 0 where nothing should be.
    state: `cut`, `stop` (the target lies within the interval) or `too-short`.
    rate_m_per_hz: length off each arm for each hertz that the resonance is to rise.
    """

    remove_m: float
    next_cut_m: float
    state: State
    rate_m_per_hz: float
    response: Response
    result: Result


def first_of_chain(removed_m: Sequence[float | None]) -> int:
    """Number of the first look since which every length taken off is known.

    removed_m: for each look, what was taken off before it since the look before; that of the first
    does not count.
    """
    first = len(removed_m) - 1
    while first > 0 and removed_m[first] is not None:
        first -= 1
    return first


def response(
    shift: Shift | None,
    arm_m: float,
    target_hz: float,
    knowledge: TrimKnowledge,
    removed_sd_m: float = REMOVED_SD_M,
    *,
    law: bool = True,
) -> Response | None:
    """The law's response and the own one, weighted by their variances.

    arm_m: length of an arm at the first look of the shift. law: whether the law says anything of
    this antenna; where its arms are not stated it does not, and arm_m is only a scale.
    None where neither says anything.
    """
    law_sd = knowledge.scaling_error.value / math.sqrt(3.0)
    if shift is None or shift.removed_m <= 0.0:
        return Response(1.0, law_sd, None, None, 0.0) if law else None
    by_law_m = trim_per_arm_m(arm_m, shift.from_hz, shift.to_hz)
    own = by_law_m / shift.removed_m
    of_shift = arm_m * shift.from_hz / shift.to_hz**2 * shift.standard_hz / shift.removed_m
    of_cuts = math.sqrt(shift.cuts) * removed_sd_m / shift.removed_m
    apart = abs(target_hz - shift.from_hz) / target_hz
    local = LOCAL_CHANGE * knowledge.scaling_error.value * apart
    own_sd = math.sqrt(of_shift**2 + of_cuts**2 + local**2)
    if not law:
        if own <= 2.0 * own_sd:
            return None  # nothing is sure to have moved
        return Response(own, own_sd, own, own_sd, 1.0)
    weight = law_sd**2 / (law_sd**2 + own_sd**2)
    if abs(own - 1.0) > DOUBTED_SD * math.hypot(law_sd, own_sd):
        return Response(1.0, law_sd, own, own_sd, 0.0, doubted=True)
    value = 1.0 + weight * (own - 1.0)
    standard = law_sd * own_sd / math.hypot(law_sd, own_sd)
    return Response(value, standard, own, own_sd, weight)


def advise(
    found: Resonance,
    budget: Budget,
    arm_m: float,
    target_hz: float,
    knowledge: TrimKnowledge,
    seen: Response,
) -> Advice:
    """Advice after a look, with `trim_per_arm` in m (positive: remove) as its result.

    found: the resonance of the newest look; budget: of its frequency. arm_m: length of an arm now.
    Flags: `cannot-trim-too-short`, and those of the resonance.

    The next cut is at most half of what is left, and at most the lower end of the interval.
    """
    # Readings that show no response would make every cut too large.
    divisor = max(seen.value, LEAST_RESPONSE)
    rate = arm_m / target_hz / divisor
    remove_m = trim_per_arm_m(arm_m, found.frequency_hz, target_hz) / divisor
    terms = _terms(budget, remove_m, rate, arm_m, knowledge, seen, divisor, found)
    settled = settle(terms, estimate=remove_m)
    low_m = remove_m - settled.expanded if settled.low is None else settled.low
    high_m = remove_m + settled.expanded if settled.high is None else settled.high
    state, next_cut_m = next_step(remove_m, low_m, high_m)
    flags = tuple(flag for flag in found.flags if flag != ASSUMED_TERM)
    if state == "too-short":
        flags += (TOO_SHORT,)
    if seen.doubted:
        flags += (LENGTH_DOUBTED,)
    if has_assumed(terms):
        flags += (ASSUMED_TERM,)
    result = Result(
        quantity="trim_per_arm",
        value=remove_m,
        unit="m",
        expanded_uncertainty=settled.expanded,
        coverage_factor=settled.coverage_factor,
        low=low_m,
        high=high_m,
        frequency_hz=target_hz,
        flags=flags,
        budget=settled,
    )
    advice = Advice(remove_m, next_cut_m, state, rate, seen, result)
    words = advice_words(advice)
    if state == "stop":
        words = f"{words} {limit_words(terms, budget)}".rstrip()
    return replace(advice, result=replace(result, note=words))


def next_step(remove_m: float, low_m: float, high_m: float) -> tuple[State, float]:
    """What to do with so much left to take off, and how much to take off now, m.

    Never more than half of what is left, and never more than the lower end of its interval.
    """
    if high_m < 0.0:
        return "too-short", 0.0
    cut_m = min(remove_m / 2.0, low_m)
    return ("stop", 0.0) if cut_m < LEAST_CUT_M else ("cut", cut_m)


def _terms(
    budget: Budget,
    remove_m: float,
    rate: float,
    arm_m: float,
    knowledge: TrimKnowledge,
    seen: Response,
    divisor: float,
    found: Resonance,
) -> tuple[Term, ...]:
    by_history = seen.own is not None and not seen.doubted
    return (
        term(
            "resonance",
            budget.expanded,
            "Hz",
            "expanded",
            divisor=coverage_factor(math.inf),
            sensitivity=-rate,
            assumed=ASSUMED_TERM in found.flags,
        ),
        term(
            "arm length",
            knowledge.arm_length_sd_m.value,
            "m",
            # The own response was made with the same arm length, so what it gives does not
            # depend on that length.
            sensitivity=(1.0 - seen.weight) * remove_m / arm_m,
            assumed=knowledge.arm_length_sd_m.assumed,
        ),
        term(
            "scaling with 1/f and own history" if by_history else "scaling with 1/f",
            # The law alone errs by a rectangle; averaged with a measured response by a normal.
            seen.standard if by_history else knowledge.scaling_error.value,
            "1",
            "normal" if by_history else "rectangular",
            sensitivity=-remove_m / divisor,
            assumed=knowledge.scaling_error.assumed,
        ),
    )


def rate_words(rate_m_per_hz: float) -> str:
    """Length for a shift, as a person at the bench reads it: "0.024 mm/MHz"."""
    return number_words(rate_m_per_hz, "m/Hz", digits=2)


def advice_words(advice: Advice) -> str:
    """What to do next, in one or two sentences."""
    sure_m = advice.result.expanded_uncertainty or 0.0
    sure = size_words(sure_m, "m")
    left = f"{rounded_words(abs(advice.remove_m), sure_m, 'm')} ± {sure} per arm"
    if advice.state == "cut":
        cut = f"{math.floor(advice.next_cut_m * 1e5) / 100.0:.2f} mm"
        half = advice.next_cut_m >= advice.remove_m / 2.0 * (1.0 - 1e-9)
        why = "half of that" if half else "what is surely too long"
        return (
            f"Too long by {left}. Take off {why}, {cut} of each arm, then look again: what is cut "
            "off cannot be put back."
        )
    if advice.state == "too-short":
        return (
            f"Stop: too short by {left}. It cannot be trimmed; make a longer arm, or begin again "
            "with a new revision."
        )
    return (
        f"Stop: off by {left}, and the design frequency lies within what this bench can tell. "
        "Take off nothing more."
        if advice.result.low is None or advice.result.low <= 0.0
        else f"Stop: too long by {left}, less than can be cut surely. Take off nothing more."
    )
