"""Quantities as people write them ("1.7 GHz", "-10 dBm", "5 ms") to SI numbers and back.

A bare number where a unit belongs is an error: 5 what? The units that a quantity may carry are a
closed table, so that "5 m" of sweep time is refused rather than guessed (general readers take it
for 5 milli-nothing). Showing numbers with SI prefixes is QuantiPhy's work.
"""

from __future__ import annotations

import difflib
import math
from dataclasses import dataclass
from enum import Enum

from benchd.rounding import duration_words, general, number_words
from benchd.untrusted import decimal_number

FREQUENCY, HERTZ = "frequency", "Hz"
"""Name and unit of the axis that nearly every trace runs over."""


@dataclass(frozen=True, slots=True)
class _Kind:
    name: str
    unit: str  # the SI or logarithmic unit that the program works in
    scaled: bool  # may carry k, M, G, m, u, n
    others: tuple[tuple[str, float], ...] = ()  # other spellings and their factor
    example: str = ""
    linear: str = ""  # a linear unit with its prefixes, of which the unit is the logarithm
    usual: tuple[str, ...] = ()  # what people mean first where capitals are mixed up


class Kind(Enum):
    """Kinds of quantity that files may hold."""

    FREQUENCY = _Kind("frequency", "Hz", True, example="1.7 GHz", usual=("Hz", "kHz", "MHz", "GHz"))
    TIME = _Kind(
        "time", "s", True, (("min", 60.0), ("h", 3600.0), ("d", 86400.0)), "5 ms",
        usual=("s", "ms", "us"),
    )  # fmt: skip
    LENGTH = _Kind("length", "m", True, (("cm", 0.01),), "42.5 mm", usual=("mm", "cm", "m"))
    LEVEL = _Kind(
        "level", "dBm", False, example="-10 dBm", linear="W", usual=("dBm", "mW", "W", "uW")
    )
    RATIO = _Kind("ratio", "dB", False, example="20 dB")
    GAIN = _Kind("gain", "dBi", False, (("dBd", float("nan")),), "2.15 dBi")
    TEMPERATURE = _Kind("temperature", "°C", False, (("degC", 1.0), ("C", 1.0)), "23 °C")
    ANGLE = _Kind("angle", "deg", False, (("°", 1.0),), "5 deg")
    PROPORTION = _Kind("proportion", "ppm", False, (("ppb", 1e-3), ("%", 1e4)), "2 ppm")


HALF_WAVE_DIPOLE_GAIN_DBI = 2.15  # 0 dBd in dBi, as gain tables have it (ITU-R, common practice)

_SCALES = {"": 1.0, "k": 1e3, "M": 1e6, "G": 1e9, "m": 1e-3, "u": 1e-6, "µ": 1e-6, "n": 1e-9}
_LINEAR_SCALES = ("", "k", "m", "u", "µ", "n")
_MILLIWATTS_PER_WATT = 1e3


class UnitError(ValueError):
    """A quantity cannot be read. The message says what was found and what is expected."""


def spellings(kind: Kind) -> tuple[str, ...]:
    """All unit spellings that a quantity of this kind may carry."""
    unit = kind.value.unit
    scaled = tuple(scale + unit for scale in _SCALES) if kind.value.scaled else (unit,)
    linear = tuple(scale + kind.value.linear for scale in _LINEAR_SCALES if kind.value.linear)
    return scaled + linear + tuple(name for name, _ in kind.value.others)


def _factor(kind: Kind, unit: str) -> float | None:
    base = kind.value.unit
    if unit == base:
        return 1.0
    for name, factor in kind.value.others:
        if unit == name:
            return factor
    if kind.value.scaled and unit.endswith(base):
        return _SCALES.get(unit.removesuffix(base))
    return None


def _level_dbm(number: float, unit: str, wanted: str) -> float:
    """A power in watts as a level: 10 log10 of the power in milliwatts, dBm (the unit's meaning).

    Raises UnitError for a power that is not above nothing: it has no level.
    """
    if number <= 0.0:
        raise UnitError(f"found {number:g} {unit}, expected {wanted}; a power lies above 0 W")
    watts = number * _SCALES[unit.removesuffix(Kind.LEVEL.value.linear)]
    return 10.0 * math.log10(watts * _MILLIWATTS_PER_WATT)


def parse(text: object, kind: Kind) -> float:
    """Read one quantity. Returns the number in the kind's base unit (Hz, s, m, dBm, dB, dBi...).

    Raises UnitError, with a message made for the person who wrote the file.
    """
    what = kind.value.name
    wanted = f'a {what} with its unit, such as "{kind.value.example}"'
    if isinstance(text, bool) or not isinstance(text, (str, int, float)):
        raise UnitError(f"expected {wanted}, found {text!r}")
    if not isinstance(text, str):
        raise UnitError(f"found the bare number {text}, expected {wanted}")
    number, unit = _split(text, wanted)
    if not unit:
        raise UnitError(f'found "{text.strip()}" without a unit, expected {wanted}')
    if kind.value.linear and unit.removesuffix(kind.value.linear) in _LINEAR_SCALES:
        return _level_dbm(number, unit, wanted)
    factor = _factor(kind, unit)
    if factor is None:
        raise UnitError(f'"{unit}" is not a unit of {what}, {_nearest(unit, kind)}')
    if unit == "dBd":
        return number + HALF_WAVE_DIPOLE_GAIN_DBI
    return number * factor


def _split(text: str, wanted: str) -> tuple[float, str]:
    stripped = text.strip()
    end = len(stripped)
    while end and stripped[end - 1] not in "0123456789.":
        end -= 1
    number, unit = stripped[:end], stripped[end:].strip()
    try:
        value = decimal_number(number)
    except ValueError as error:
        shown = text if len(text) <= 60 else f"{text[:57]}..."
        if "finite" in str(error):
            raise UnitError(f'"{shown}" is not a finite number, expected {wanted}') from error
        raise UnitError(f'cannot read "{shown}" as {wanted}') from error
    return value, unit


def _nearest(unit: str, kind: Kind) -> str:
    allowed = spellings(kind)
    # "MM" is meant as mm, "ghz" as GHz: what is usual stands first.
    by_case = [name for name in (*kind.value.usual, *allowed) if name.lower() == unit.lower()]
    close = by_case or difflib.get_close_matches(unit, allowed, n=1, cutoff=0.5)
    hint = f'did you mean "{close[0]}"? ' if close else ""
    return f"{hint}Allowed: {', '.join(allowed)}"


def show(value: float, unit: str, *, precision: int = 6) -> str:
    """A number with an SI prefix where the unit takes one: 1.684e9, "Hz" -> "1.684 GHz".

    Times of a minute and more are said in hours and minutes, lengths in metres and millimetres, as
    people say them.
    """
    if unit == "s" and value >= 60.0:
        return _show_time(value, precision)
    if unit == "s" and 0.0 < value < 1e-9:
        return f"{general(value * 1e9, precision)} ns"  # what files may hold; there is no "ps"
    if unit == "m":
        return number_words(value, unit, digits=precision)
    if unit in ("Hz", "s"):
        from quantiphy import Quantity  # a command that shows no such number must not wait for it

        return str(Quantity(value, unit).render(prec=precision - 1, form="si"))
    if unit in ("1", ""):
        return f"{value:.{precision}g}"
    return f"{value:.{precision}g} {unit}"


EXACT = 10
"""From this precision on a number is to be read back, not only to be understood."""


def _show_time(value_s: float, precision: int) -> str:
    """43200 s is "12 h"; 43222 s is "12 h 00 min", or "43222 s" where it is to be read back."""
    for unit, factor in (("d", 86400.0), ("h", 3600.0), ("min", 60.0)):
        if value_s >= factor and value_s % factor == 0:
            return f"{value_s / factor:g} {unit}"
    return f"{value_s:.{precision}g} s" if precision >= EXACT else duration_words(value_s)
