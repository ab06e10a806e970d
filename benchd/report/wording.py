"""Results in words: "1.6837 GHz ± 0.0021 GHz", "20.0 dB, 18.4 to 21.9 dB", flags as phrases.

The expanded uncertainty is rounded to two significant digits and the value to the same place
(JCGM 100:2008, 7.2.6). Where the 95 % interval is visibly asymmetric its two ends are shown
instead of one ±; where it has no upper end, only the lower.
"""

from __future__ import annotations

import math
from collections.abc import Iterable
from datetime import UTC, datetime
from decimal import ROUND_HALF_UP, Decimal

from benchd.results import Result, Verdict

UNCERTAINTY_DIGITS = 2
LONGER_SIDE = 1.1  # one side of an interval this much longer than the other: show both ends

_PREFIXES = {
    "Hz": ((1e9, "GHz"), (1e6, "MHz"), (1e3, "kHz"), (0.0, "Hz")),
    "m": ((1.0, "m"), (0.0, "mm")),
    "s": ((1.0, "s"), (1e-3, "ms"), (0.0, "µs")),
}
_FACTORS = {
    "GHz": 1e9, "MHz": 1e6, "kHz": 1e3, "Hz": 1.0,
    "m": 1.0, "mm": 1e-3,
    "s": 1.0, "ms": 1e-3, "µs": 1e-6,
}  # fmt: skip

# A level or a gain refers to something; how far two of them lie apart is a plain ratio.
_DIFFERENCES = {"dBi": "dB", "dBm": "dB"}

_QUANTITIES = {
    "resonance_count": "Resonances in the sweep",
    "resonance_frequency": "Resonance",
    "resonance_return_loss": "Return loss at resonance",
    "further_resonance_frequency": "Further resonance",
    "further_resonance_return_loss": "Return loss there",
    "band_low": "Lower band edge",
    "band_high": "Upper band edge",
    "bandwidth_low_edge": "Lower band edge",
    "bandwidth_high_edge": "Upper band edge",
    "realised_gain_mean": "Mean realised gain",
    "realised_gain_min": "Least realised gain",
    "realised_gain_max": "Greatest realised gain",
    "gain_mean": "Mean gain",
    "gain_min": "Least gain",
    "gain_max": "Greatest gain",
}
_WORDS = {"vswr": "VSWR", "q": "Q"}

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


def quantity_words(quantity: str) -> str:
    """A quantity's snake_case name as it heads a row: "realised_gain" -> "Realised gain"."""
    known = _QUANTITIES.get(quantity)
    if known:
        return known
    words = [_WORDS.get(word, word) for word in quantity.split("_") if word]
    text = " ".join(words)
    return text[:1].upper() + text[1:]


def unit_for(size: float, unit: str) -> str:
    """The unit to show a number of this size in: 1.684e9, "Hz" -> "GHz". dB stays dB."""
    if unit == "1":
        return ""
    steps = _PREFIXES.get(unit)
    if steps is None:
        return unit
    return next(shown for least, shown in steps if abs(size) >= least)


def factor_of(shown: str) -> float:
    """How many base units one shown unit is: "GHz" -> 1e9; 1 for units without prefix."""
    return _FACTORS.get(shown, 1.0)


def number_words(value: float, unit: str, *, digits: int = 6) -> str:
    """A number without uncertainty: 1.7e9, "Hz" -> "1.7 GHz". Trailing zeros are dropped."""
    shown = unit_for(value, unit)
    return _join(f"{value / factor_of(shown):.{digits}g}", shown)


def band_words(low: float, high: float, unit: str) -> str:
    """A range in one unit: "1.45 to 1.95 GHz"."""
    shown = unit_for(max(abs(low), abs(high)), unit)
    factor = factor_of(shown)
    return _join(f"{low / factor:.5g} to {high / factor:.5g}", shown)


def place_of(uncertainty: float) -> int:
    """Decimal places at which an uncertainty has two significant digits; negative left of the
    point. 0.0021 -> 4, 12.3 -> 0, 130 -> -1. `uncertainty` must be positive and finite."""
    first = math.floor(math.log10(uncertainty))
    place = UNCERTAINTY_DIGITS - 1 - first
    # 0.0996 rounds to 0.10, which has its two digits one place earlier.
    if _rounded(uncertainty, place) >= Decimal(10) ** (first + 1):
        place -= 1
    return place


def _rounded(value: float, place: int) -> Decimal:
    step = Decimal(1).scaleb(-place)
    return (Decimal(repr(float(value))) / step).quantize(Decimal(1), ROUND_HALF_UP) * step


def fixed(value: float, place: int) -> str:
    """A number rounded to a decimal place, halves away from zero, never "-0.0"."""
    rounded = _rounded(value, place)
    return f"{abs(rounded) if rounded == 0 else rounded:.{max(place, 0)}f}"


_JUDGEMENTS = {1.0: "good enough", 0.0: "not good enough"}


def value_words(result: Result) -> str:
    """Value, unit and 95 % interval of a result, sensibly rounded."""
    value, unit = result.value, result.unit
    if not math.isfinite(value):
        return "no value"
    if result.quantity.endswith("_verdict"):
        return _JUDGEMENTS.get(value, "cannot tell")
    sides = _sides(result)
    if sides is None:
        return f"{number_words(value, unit, digits=4)} (no uncertainty stated)"
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
    text = _join(fixed(value / factor, place), shown)
    if max(sides) > LONGER_SIDE * min(sides):
        return f"{text}, {_join(f'{fixed(ends[0], place)} to {fixed(ends[1], place)}', shown)}"
    return f"{text} ± {_join(fixed(half, place), _DIFFERENCES.get(shown, shown))}"


def _one_sided(value: float, ends: tuple[float, float], half: float, shown: str) -> str:
    """An interval with one end. All numbers in the unit shown."""
    word, end = ("at least", ends[0]) if math.isfinite(ends[0]) else ("at most", ends[1])
    if half == 0.0:
        return _join(f"{word} {end:.4g}", shown)
    place = place_of(half)
    limit = _join(fixed(end, place), shown)
    return f"{_join(fixed(value, place), shown)}, {word} {limit}"


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


def where_words(result: Result) -> str:
    """Where a result holds: "1.7 GHz", "1.61 to 1.76 GHz", or nothing."""
    if result.frequency_hz is not None:
        return number_words(result.frequency_hz, "Hz")
    if result.band_hz is not None:
        return band_words(*result.band_hz, "Hz")
    return ""


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


def duration_words(seconds: float) -> str:
    """A length of time for a person: "0.4 s", "38 s", "2 min 05 s", "7 h 12 min"."""
    if seconds < 10:
        return f"{seconds:.1f} s"
    whole = round(seconds)
    if whole < 60:
        return f"{whole} s"
    if whole < 3600:
        return f"{whole // 60} min {whole % 60:02d} s"
    minutes = round(seconds / 60)
    return f"{minutes // 60} h {minutes % 60:02d} min"


def time_words(moment: datetime) -> str:
    """A moment in UTC: "2026-03-01 21:04:05 UTC"."""
    aware = moment if moment.tzinfo else moment.replace(tzinfo=UTC)
    return f"{aware.astimezone(UTC):%Y-%m-%d %H:%M:%S} UTC"


def _join(number: str, unit: str) -> str:
    return f"{number} {unit}" if unit else number
