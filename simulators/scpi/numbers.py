"""Numbers as program data and in replies (IEEE 488.2-1992, 7.7.2 to 7.7.4 and 8.7.2 to 8.7.4)."""

from __future__ import annotations

import math
import re

from simulators.scpi.errors import ScpiError

# Suffix multipliers, IEEE 488.2-1992 table 7-2: with HZ, M means mega (so does MA).
UNITS: dict[str, dict[str, float]] = {
    "": {},
    "HZ": {"HZ": 1.0, "KHZ": 1e3, "MHZ": 1e6, "MAHZ": 1e6, "GHZ": 1e9},
    "DBM": {"DBM": 1.0},
    "DB": {"DB": 1.0},
    "S": {"S": 1.0, "MS": 1e-3, "US": 1e-6, "NS": 1e-9},
}

_DECIMAL = re.compile(
    r"([+-]?(?:[0-9]+\.?[0-9]*|\.[0-9]+))(?:\s*[Ee]\s*([+-]?[0-9]+))?\s*([A-Za-z/][A-Za-z/0-9]*)?\Z"
)
_NONDECIMAL = re.compile(r"#(?:[Hh]([0-9A-Fa-f]+)|[Qq]([0-7]+)|[Bb]([01]+))\Z")


def parse_number(text: str, unit: str = "") -> float:
    """Value in the base unit of `unit` (a key of `UNITS`).

    Raises:
        ScpiError: -104 if it is no number at all, -121 if a number breaks off, -123 or -124 if
            it is too big to be meant, -131 or -138 for a wrong or forbidden suffix.
    """
    try:
        value = float(text)
    except ValueError:
        pass
    else:
        # float() also takes "nan", "inf", "1_000" and surrounding blanks: SCPI does not.
        if text.isascii() and text[-1:].isdigit() and "_" not in text and math.isfinite(value):
            return value
    nondecimal = _NONDECIMAL.match(text)
    if nondecimal:
        sixteen, eight, two = nondecimal.groups()
        return float(int(sixteen or eight or two, 16 if sixteen else 8 if eight else 2))
    match = _DECIMAL.match(text)
    if match is None:
        raise ScpiError(-121 if text[:1] in "+-.0123456789" else -104, text[:40])
    mantissa, exponent, suffix = match.groups()
    if len(mantissa) > 255:
        raise ScpiError(-124)
    if exponent and abs(int(exponent)) > 32000:
        raise ScpiError(-123, text[:40])
    value = float(f"{mantissa}e{exponent or 0}")
    if not math.isfinite(value):
        raise ScpiError(-222, text[:40])
    return value * _multiplier(suffix, unit) if suffix else value


def _multiplier(suffix: str, unit: str) -> float:
    known = UNITS[unit]
    if not known:
        raise ScpiError(-138, suffix)
    try:
        return known[suffix.upper()]
    except KeyError:
        raise ScpiError(-131, f"{suffix}, expected one of {' '.join(known)}") from None


def format_number(value: float) -> str:
    """NR3 with enough digits for 1 Hz at 6 GHz and beyond; whole numbers as NR1."""
    if isinstance(value, int):
        return str(value)
    return f"{value:.11E}"
