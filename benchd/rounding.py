"""Numbers for a person to read: units of a fitting size, and no more digits than are known.

A spread or an uncertainty is told in two significant digits, and a value to the same decimal place
(JCGM 100:2008, 7.2.6). No number is ever written with an exponent.
"""

from __future__ import annotations

import math
from decimal import ROUND_HALF_UP, Decimal

UNCERTAINTY_DIGITS = 2

_PREFIXES = {
    "Hz": ((1e9, "GHz"), (1e6, "MHz"), (1e3, "kHz"), (0.0, "Hz")),
    "m": ((1.0, "m"), (0.0, "mm")),
    "m/Hz": ((0.0, "mm/MHz"),),
    "s": ((3600.0, "h"), (60.0, "min"), (1.0, "s"), (1e-3, "ms"), (0.0, "µs")),
}
_FACTORS = {
    "GHz": 1e9, "MHz": 1e6, "kHz": 1e3, "Hz": 1.0,
    "m": 1.0, "mm": 1e-3, "mm/MHz": 1e-9,
    "h": 3600.0, "min": 60.0, "s": 1.0, "ms": 1e-3, "µs": 1e-6,
}  # fmt: skip

_DIFFERENCES = {"dBi": "dB", "dBm": "dB"}


def unit_of_difference(unit: str) -> str:
    """The unit of how far two values lie apart. A level or a gain refers to something (dBm, dBi);
    the distance of two of them is a plain ratio in dB."""
    return _DIFFERENCES.get(unit, unit)


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


def general(value: float, digits: int) -> str:
    """A number of some significant digits, trailing zeros dropped, never with an exponent."""
    text = f"{value:.{digits}g}"
    return f"{Decimal(text):f}" if "e" in text else text


def number_words(value: float, unit: str, *, digits: int = 6) -> str:
    """A number without uncertainty: 1.7e9, "Hz" -> "1.7 GHz". Trailing zeros are dropped."""
    shown = unit_for(value, unit)
    return joined(general(value / factor_of(shown), digits), shown)


def band_words(low: float, high: float, unit: str, *, uncertainty: float | None = None) -> str:
    """A range in one unit: "1.45 to 1.95 GHz".

    uncertainty: of the ends, in `unit`; without it they are told in five digits.
    """
    shown = unit_for(max(abs(low), abs(high)), unit)
    factor = factor_of(shown)
    if uncertainty is not None and 0.0 < uncertainty < math.inf:
        place = place_of(uncertainty / factor)
        ends = [fixed(end / factor, place) for end in (low, high)]
    else:
        ends = [general(end / factor, 5) for end in (low, high)]
    return joined(" to ".join(ends), shown)


def size_words(size: float, unit: str) -> str:
    """A spread, an uncertainty or a smallest difference: two significant digits, and the unit of
    a difference. 2.9e7, "Hz" -> "29 MHz"; 0.000263, "m" -> "0.26 mm"; 0.3, "dBi" -> "0.30 dB"."""
    unit = unit_of_difference(unit)
    shown = unit_for(size, unit)
    if size == 0.0 or not math.isfinite(size):
        return joined(f"{abs(size):g}", shown)
    scaled = size / factor_of(shown)
    return joined(fixed(scaled, place_of(abs(scaled))), shown)


def rounded_words(value: float, uncertainty: float, unit: str) -> str:
    """A value with the digits that its uncertainty leaves it: 1.6842312e9, 2.1e6, "Hz" ->
    "1.6842 GHz". Six digits where the uncertainty is zero or unknown (not finite)."""
    if not 0.0 < uncertainty < math.inf:
        return number_words(value, unit)
    shown = unit_for(max(abs(value), uncertainty), unit)
    factor = factor_of(shown)
    return joined(fixed(value / factor, place_of(uncertainty / factor)), shown)


def place_of(uncertainty: float) -> int:
    """Decimal places at which an uncertainty has two significant digits; negative left of the
    point. 0.0021 -> 4, 12.3 -> 0, 130 -> -1. `uncertainty` must be positive and finite."""
    first = math.floor(math.log10(uncertainty))
    place = UNCERTAINTY_DIGITS - 1 - first
    # 0.0996 rounds to 0.10, which has its two digits one place earlier.
    if rounded(uncertainty, place) >= Decimal(10) ** (first + 1):
        place -= 1
    return place


def rounded(value: float, place: int) -> Decimal:
    """A number rounded to a decimal place, halves away from zero."""
    step = Decimal(1).scaleb(-place)
    return (Decimal(repr(float(value))) / step).quantize(Decimal(1), ROUND_HALF_UP) * step


def fixed(value: float, place: int) -> str:
    """A number rounded to a decimal place, halves away from zero, never "-0.0"."""
    number = rounded(value, place)
    return f"{abs(number) if number == 0 else number:.{max(place, 0)}f}"


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


def about_words(seconds: float) -> str:
    """A length of time in a message, to the second: "2 s", "60 s", "12 h 00 min"."""
    return f"{seconds:.0f} s" if seconds < 120.0 else duration_words(seconds)


def joined(number: str, unit: str) -> str:
    """A number and its unit with a space between; nothing behind a plain number."""
    return f"{number} {unit}" if unit else number
