"""Results in words: "1.6837 GHz ± 0.0021 GHz", "20.0 dB, 18.4 to 21.9 dB", flags as phrases; and
as bare numbers in a fixed unit.

The expanded uncertainty is rounded to two significant digits and the value to the same place
(JCGM 100:2008, 7.2.6). Where the 95 % interval is visibly asymmetric its two ends are shown
instead of one ±; where it has no upper end, only the lower.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence

from benchd.quantities import Where, quantity
from benchd.results import ASSUMED_TERM as ASSUMED_TERM
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

FINEST = 1e-20  # of its value: a finer uncertainty is none, no stored number is so exact
LONGER_SIDE = 1.1  # one side of an interval this much longer than the other: show both ends

_FLAGS = {
    "another-dip": "another dip may be the deeper one",
    "above-baseline": "reflects more than the baseline: check the baseline",
    ASSUMED_TERM: "uncertainty partly assumed",
    "baseline-old": "baseline near its greatest age",
    "below-directivity": "not told apart from the coupler's directivity",
    "bins-not-visited": "some bins never saw the source",
    "cannot-trim-too-short": "already too short to trim",
    "removed-length-doubtful": "a length taken off does not fit what was seen",
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
    "refined-in-part": "the sweep ended before it was as sure as asked for",
    "short-travel": "the antenna moved less than half a wavelength",
    "trigger-missed": "a trigger was missed, so each point was stepped by command",
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


_READING_UNITS = {"Hz": "MHz", "m": "mm"}

NOT_A_READING = frozenset({"path-broken", "overload", "uncalibrated", "no-noise-margin"})
"""Flags of a value that the path, the analyzer or mere noise has given, not the antenna."""

_JUDGEMENTS = {1.0: "good enough", 0.0: "not good enough"}


def value_words(result: Result) -> str:
    """Value, unit and 95 % interval of a result, sensibly rounded: "12.2 dB ± 1.0 dB", or both
    ends where one side is visibly longer."""
    return _words(result, plus_minus=True)


def result_text(result: Result) -> str:
    """As `value_words`, always with both ends of the interval: "12.2 dB, 11.2 to 13.3 dB". Results
    carry it to subscribers that only show things."""
    return _words(result, plus_minus=False)


def _words(result: Result, *, plus_minus: bool) -> str:
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
    half = _known_half(finite, value) / factor
    ends = (value - sides[0]) / factor, (value + sides[1]) / factor
    if len(finite) < 2:
        return _one_sided(value / factor, ends, half, shown)
    if half == 0.0:
        return number_words(value, unit)
    place = place_of(half)
    text = joined(fixed(value / factor, place), shown)
    if plus_minus and max(sides) <= LONGER_SIDE * min(sides):
        return f"{text} ± {joined(fixed(half, place), unit_of_difference(shown))}"
    return f"{text}, {joined(f'{fixed(ends[0], place)} to {fixed(ends[1], place)}', shown)}"


def reading_unit(unit: str) -> str:
    """The one unit in which a bare number of this unit is always told, whatever its size, so that
    a panel can plot it: "Hz" -> "MHz", "m" -> "mm"; others stay, "1" for plain numbers too."""
    return _READING_UNITS.get(unit, unit)


def reading_number(result: Result) -> str | None:
    """The value as a bare number in `reading_unit`, with the digits that its uncertainty leaves
    it, six where none is known: 1.6842312e9 Hz ± 2.1e6 -> "1684.2". None where there is no value,
    or where it says nothing of the antenna (`NOT_A_READING`)."""
    if not math.isfinite(result.value) or not NOT_A_READING.isdisjoint(result.flags):
        return None
    factor = factor_of(reading_unit(result.unit))
    sides = _sides(result) or ()
    half = _known_half([side for side in sides if math.isfinite(side)], result.value) / factor
    if half == 0.0:
        return general(result.value / factor, 6)
    return fixed(result.value / factor, place_of(half))


def _one_sided(value: float, ends: tuple[float, float], half: float, shown: str) -> str:
    """An interval with one end. All numbers in the unit shown."""
    word, end = ("at least", ends[0]) if math.isfinite(ends[0]) else ("at most", ends[1])
    if half == 0.0:
        return joined(f"{word} {general(end, 4)}", shown)
    place = place_of(half)
    limit = joined(fixed(end, place), shown)
    return f"{joined(fixed(value, place), shown)}, {word} {limit}"


def _known_half(sides: Sequence[float], value: float) -> float:
    """Half the width of the interval; 0 where it is finer than a stored number can be."""
    half = sum(side / len(sides) for side in sides)
    return half if half > FINEST * abs(value) else 0.0


def _sides(result: Result) -> tuple[float, float] | None:
    """How far the interval reaches below and above the value, in the result's unit.

    An end that is missing or not finite where the other is known lies infinitely far away.
    """
    if result.expanded_uncertainty is not None and (result.low is None or result.high is None):
        expanded = max(result.expanded_uncertainty, 0.0)
        return expanded, expanded
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
    """Where a result holds: "1.7 GHz", "1.61 to 1.76 GHz", "1.7 GHz, 30 deg", "somewhere in 1.61 to
    1.76 GHz" for an extreme whose place errors leave open, or nothing.

    among: results of the same reduction. Where the place is itself a result (the resonance, the
    edges of a band), it is told with the digits that its uncertainty leaves it.
    """
    parts = [_frequency_words(result, among)]
    if result.place is not None:
        parts.append(number_words(result.place.value, result.place.unit))
    return ", ".join(part for part in parts if part)


def _frequency_words(result: Result, among: Sequence[Result]) -> str:
    where = quantity(result.quantity).where
    if result.frequency_hz is not None:
        if where is Where.DIP:
            return _dip_words(result.frequency_hz, among)
        return number_words(result.frequency_hz, "Hz")
    if result.band_hz is not None:
        size = result.expanded_uncertainty if where is Where.OWN_BAND else None
        band = band_words(*result.band_hz, "Hz", uncertainty=size)
        return f"somewhere in {band}" if quantity(result.quantity).is_extreme else band
    return ""


def _dip_words(frequency_hz: float, among: Sequence[Result]) -> str:
    """The frequency of a dip, as surely as it is known; in five digits where nothing tells."""
    for one in among:
        if one.value == frequency_hz and one.unit == "Hz" and one.expanded_uncertainty:
            return rounded_words(frequency_hz, one.expanded_uncertainty, "Hz")
    return number_words(frequency_hz, "Hz", digits=5)


def flag_words(flags: Iterable[str]) -> str:
    """Flags as phrases, joined with semicolons; a flag unknown here is shown as it is named."""
    return "; ".join(_FLAGS.get(flag, flag.replace("-", " ")) for flag in flags)


def verdict_words(verdict: Verdict) -> str:
    """The outcome of an acceptance limit, in words."""
    return _OUTCOMES.get(verdict.outcome, verdict.outcome)
