"""What pictures and tables say beyond `benchd.wording`: numbers in the unit of an axis, and which
inputs of an uncertainty are assumed. It hands on the words of results as well.
"""

from __future__ import annotations

import math
from collections.abc import Iterable

from benchd.results import Result
from benchd.rounding import (
    band_words,
    duration_words,
    factor_of,
    fixed,
    general,
    joined,
    number_words,
    place_of,
    unit_for,
)
from benchd.wording import (
    ASSUMED_TERM,
    flag_words,
    plain_words,
    quantity_words,
    result_text,
    value_words,
    verdict_words,
    where_words,
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
    "result_text",
    "unit_for",
    "value_words",
    "verdict_words",
    "where_words",
]


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
