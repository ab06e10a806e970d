"""Acceptance limits in words, with the unit they are written in."""

from __future__ import annotations

from benchd.quantities import quantity
from benchd.units import show
from benchd.worksheet import Limit


def unit_of(name: str) -> str:
    """The unit that limits on a quantity are written in; "" for plain numbers and unknown ones."""
    kind = quantity(name).kind
    return "" if kind is None else kind.value.unit


def limit_words(limit: Limit) -> str:
    """ "at least 10 dB at 1.7 GHz", "at least 10 dB and at most 20 dB"."""
    unit = unit_of(limit.quantity)
    ends = []
    if limit.least is not None:
        ends.append(f"at least {show(limit.least, unit)}")
    if limit.most is not None:
        ends.append(f"at most {show(limit.most, unit)}")
    place = "" if limit.at_hz is None else f" at {show(limit.at_hz, 'Hz')}"
    return " and ".join(ends) + place
