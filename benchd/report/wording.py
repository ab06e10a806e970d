"""Results in words: "1.6837 GHz ± 0.0021 GHz", "20.0 dB, 18.4 to 21.9 dB", flags as phrases.

The expanded uncertainty is rounded to two significant digits and the value to the same place
(JCGM 100:2008, 7.2.6). Where the 95 % interval is visibly asymmetric its two ends are shown
instead of one ±; where it has no upper end, only the lower.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence

from benchd.quantities import Where, quantity
from benchd.results import Result, Verdict
from benchd.rounding import (
    band_words,
    duration_words,
    factor_of,
    fixed,
    general,
    joined,
    number_words,
    place_of,
    rounded_words,
    unit_for,
    unit_of_difference,
)

__all__ = [
    "ASSUMED_TERM",
    "assumed_sentence",
    "assumed_words",
    "band_words",
    "duration_words",
    "factor_of",
    "fixed",
    "flag_words",
    "in_unit",
    "number_words",
    "place_of",
    "plain_words",
    "quantity_words",
    "range_in_unit",
    "unit_for",
    "value_words",
    "verdict_words",
    "where_words",
]

LONGER_SIDE = 1.1  # one side of an interval this much longer than the other: show both ends

ASSUMED_TERM = "assumed-term"

_FLAGS = {
    "another-dip": "another dip may be the deeper one",
    "above-baseline": "reflects more than the baseline: check the baseline",
    ASSUMED_TERM: "uncertainty partly assumed",
    "baseline-old": "baseline near its greatest age",
    "below-directivity": "not told apart from the coupler's directivity",
    "bins-not-visited": "some bins never saw the source",
    "cannot-trim-too-short": "already too short to trim",
    "edge-of-band": "at the edge of the sweep",
    "edge-of-watch": "nothing longer was watched",
    "near-field": "too close for the far field",
    "near-noise": "close to the noise floor",
    "no-band": "the level is not reached",
    "no-noise-margin": "nothing rises above the noise",
    "no-resonance": "no resonance inside the sweep",
    "not-read-back": "the source could not be asked for its level or frequency",
    "open-band": "the band goes on beyond the sweep",
    "overload": "analyzer overloaded",
    "path-broken": "the path was broken",
    "phase-unseen": "only part of it was seen: measure an offset short as well",
    "short-travel": "the antenna moved less than half a wavelength",
    "uncalibrated": "analyzer said uncalibrated",
}

_OUTCOMES = {
    "pass": "pass",
    "pass-marginal": "pass, but the limit lies within the uncertainty",
    "fail": "fail",
    "fail-marginal": "fail, but the limit lies within the uncertainty",
    "cannot-tell": "cannot tell: it was not measured, see its flags",
    "absent": "fail: there is no such result",
}


def quantity_words(name: str) -> str:
    """A quantity's snake_case name as it heads a row: "realised_gain" -> "Realised gain"."""
    return quantity(name).words


_JUDGEMENTS = {1.0: "good enough", 0.0: "not good enough"}


def value_words(result: Result) -> str:
    """Value, unit and 95 % interval of a result, sensibly rounded."""
    value, unit = result.value, result.unit
    if not math.isfinite(value):
        return "no value"
    if quantity(result.quantity).is_verdict:
        return _JUDGEMENTS.get(value, "cannot tell")
    sides = _sides(result)
    if sides is None:
        return f"{plain_words(value, unit)} (no uncertainty stated)"
    finite = [side for side in sides if math.isfinite(side)]
    shown = unit_for(max(abs(value), *finite), unit)
    factor = factor_of(shown)
    half = sum(finite) / len(finite) / factor
    ends = (value - sides[0]) / factor, (value + sides[1]) / factor
    if len(finite) < 2:
        return _one_sided(value / factor, ends, half, shown)
    if half == 0.0:
        return number_words(value, unit)
    place = place_of(half)
    text = joined(fixed(value / factor, place), shown)
    if max(sides) > LONGER_SIDE * min(sides):
        return f"{text}, {joined(f'{fixed(ends[0], place)} to {fixed(ends[1], place)}', shown)}"
    return f"{text} ± {joined(fixed(half, place), unit_of_difference(shown))}"


def _one_sided(value: float, ends: tuple[float, float], half: float, shown: str) -> str:
    """An interval with one end. All numbers in the unit shown."""
    word, end = ("at least", ends[0]) if math.isfinite(ends[0]) else ("at most", ends[1])
    if half == 0.0:
        return joined(f"{word} {general(end, 4)}", shown)
    place = place_of(half)
    limit = joined(fixed(end, place), shown)
    return f"{joined(fixed(value, place), shown)}, {word} {limit}"


def _sides(result: Result) -> tuple[float, float] | None:
    """How far the interval reaches below and above the value, in the result's unit.

    An end that is missing or not finite where the other is known lies infinitely far away.
    """
    if result.expanded_uncertainty is not None and (result.low is None or result.high is None):
        return result.expanded_uncertainty, result.expanded_uncertainty
    below = math.inf if result.low is None else result.value - result.low
    above = math.inf if result.high is None else result.high - result.value
    sides = tuple(max(side, 0.0) if math.isfinite(side) else math.inf for side in (below, above))
    return None if sides == (math.inf, math.inf) else (sides[0], sides[1])


def plain_words(value: float, unit: str) -> str:
    """A number of which no uncertainty is known: four digits; a time as people say times."""
    if unit == "s" and value >= 1.0:
        return duration_words(value)
    return number_words(value, unit, digits=4)


def where_words(result: Result, among: Sequence[Result] = ()) -> str:
    """Where a result holds: "1.7 GHz", "1.61 to 1.76 GHz", or nothing.

    among: results of the same reduction. Where the place is itself a result (the resonance, the
    edges of a band), it is told with the digits that its uncertainty leaves it.
    """
    where = quantity(result.quantity).where
    if result.frequency_hz is not None:
        if where is Where.DIP:
            return _dip_words(result.frequency_hz, among)
        return number_words(result.frequency_hz, "Hz")
    if result.band_hz is not None:
        size = result.expanded_uncertainty if where is Where.OWN_BAND else None
        return band_words(*result.band_hz, "Hz", uncertainty=size)
    return ""


def _dip_words(frequency_hz: float, among: Sequence[Result]) -> str:
    """The frequency of a dip, as surely as it is known; in five digits where nothing tells."""
    for one in among:
        if one.value == frequency_hz and one.unit == "Hz" and one.expanded_uncertainty:
            return rounded_words(frequency_hz, one.expanded_uncertainty, "Hz")
    return number_words(frequency_hz, "Hz", digits=5)


def in_unit(value: float, uncertainty: float | None, shown: str) -> str:
    """A value in a unit that is fixed, as that of an axis: with the digits that its uncertainty
    leaves it, five where none is known."""
    factor = factor_of(shown)
    if uncertainty is None or not 0.0 < uncertainty < math.inf:
        return joined(general(value / factor, 5), shown)
    return joined(fixed(value / factor, place_of(uncertainty / factor)), shown)


def range_in_unit(low: float, high: float, uncertainty: float | None, shown: str) -> str:
    """Both ends of a range in a unit that is fixed: "1.580 to 1.742 GHz"."""
    first = in_unit(low, uncertainty, shown).removesuffix(f" {shown}")
    return f"{first} to {in_unit(high, uncertainty, shown)}"


def flag_words(flags: Iterable[str]) -> str:
    """Flags as phrases, joined with semicolons; a flag unknown here is shown as it is named."""
    return "; ".join(_FLAGS.get(flag, flag.replace("-", " ")) for flag in flags)


def assumed_words(results: Iterable[Result]) -> str:
    """The inputs of these results' uncertainties that are documented defaults, not knowledge of
    this bench: those that weigh most first, each once. "" where there are none."""
    shares: dict[str, float] = {}
    for result in results:
        budget = result.budget
        for term in () if budget is None else budget.terms:
            if term.assumed:
                share = term.contribution / budget.standard if budget and budget.standard else 0.0
                shares[term.name] = max(shares.get(term.name, 0.0), share)
    return ", ".join(sorted(shares, key=lambda name: -shares[name]))


def assumed_sentence(names: str) -> str:
    """The sentence that stands once below results whose uncertainty rests on defaults."""
    return f"Uncertainty partly assumed, not known of this bench: {names}."


def verdict_words(verdict: Verdict) -> str:
    """The outcome of an acceptance limit, in words."""
    return _OUTCOMES.get(verdict.outcome, verdict.outcome)
