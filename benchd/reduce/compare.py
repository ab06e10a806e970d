"""Comparing two conditions: whether they differ, and how large a difference would have been found.

"No difference" alone tells nothing, so it is always stated with the smallest difference that this
comparison would have shown. Decision limit and detectable difference follow the idea of ISO 11843-1
(from memory): a false alarm in 5 % of comparisons, a true difference missed in 5 %.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from benchd.errors import ReductionRefused
from benchd.reduce.budget_inputs import ASSUMED_TERM, Known
from benchd.reduce.distributions import t_quantile
from benchd.reduce.uncertainty import combine, difference
from benchd.results import Budget, Result, Term
from benchd.rounding import size_words, unit_of_difference
from benchd.traces import FloatArray

FALSE_ALARM = 0.05
MISSED = 0.05


@dataclass(frozen=True, eq=False)
class Comparison:
    """Second minus first condition over frequency, all arrays shape (n,), dB.

    limit_db: beyond it a difference is significant (all frequencies together, 5 % false alarms).
    visible_db: a true difference this large would have been called significant in 95 %.
    sentence: the outcome in words.
    """

    difference_db: FloatArray
    limit_db: FloatArray
    visible_db: FloatArray
    degrees_of_freedom: float
    sentence: str
    flags: tuple[str, ...]

    @property
    def is_different(self) -> bool:
        """True where any frequency shows a significant difference."""
        return bool(np.any(np.abs(self.difference_db) > self.limit_db))


def compare(
    first_db: FloatArray,
    second_db: FloatArray,
    *,
    repeatability_db: Known | None = None,
    frequency_hz: FloatArray | None = None,
) -> Comparison:
    """Compare repeated traces: shapes (repeats, n), repeats may differ between conditions.

    repeatability_db: standard deviation of one trace, if measured before, with its degrees of
        freedom. With None it is found from the repeats of both conditions together, assuming that
        both scatter equally.
    The test is Student's t at 5 % divided by the n frequencies (Bonferroni), so that a whole trace
    gives a false alarm in at most 5 % of cases.
    Raises ReductionRefused without repeats and without a known repeatability.
    """
    repeats = (first_db.shape[0], second_db.shape[0])
    if first_db.shape[1:] != second_db.shape[1:]:
        raise ReductionRefused(
            f"the two conditions have {first_db.shape[1]} and {second_db.shape[1]} points",
            advice="Measure both on one grid.",
        )
    sd_db, freedom = _spread(first_db, second_db, repeatability_db)
    u_db = sd_db * math.sqrt(1.0 / repeats[0] + 1.0 / repeats[1])
    points = first_db.shape[1]
    alarm = t_quantile(1.0 - FALSE_ALARM / (2.0 * points), freedom)
    limit_db = alarm * u_db
    visible_db = limit_db + t_quantile(1.0 - MISSED, freedom) * u_db
    difference_db = second_db.mean(axis=0) - first_db.mean(axis=0)
    flags = (ASSUMED_TERM,) if repeatability_db is not None and repeatability_db.assumed else ()
    sentence = _sentence(difference_db, limit_db, visible_db, frequency_hz)
    return Comparison(difference_db, limit_db, visible_db, freedom, sentence, flags)


def _spread(
    first_db: FloatArray, second_db: FloatArray, known: Known | None
) -> tuple[FloatArray, float]:
    """Standard deviation of one trace per frequency, and its degrees of freedom."""
    if known is not None:
        return np.full(first_db.shape[1], known.value), known.degrees_of_freedom
    freedom = first_db.shape[0] + second_db.shape[0] - 2
    if freedom < 1:
        raise ReductionRefused(
            "one trace of each condition shows no repeatability",
            advice="Repeat each condition at least twice, or name a captured repeatability.",
        )
    squares = sum(((part - part.mean(axis=0)) ** 2).sum(axis=0) for part in (first_db, second_db))
    sd: FloatArray = np.sqrt(np.asarray(squares) / freedom)
    return sd, float(freedom)


def _sentence(
    difference_db: FloatArray,
    limit_db: FloatArray,
    visible_db: FloatArray,
    frequency_hz: FloatArray | None,
) -> str:
    beyond = np.abs(difference_db) - limit_db
    worst = int(np.argmax(beyond))
    if beyond[worst] <= 0.0:
        return (
            "No difference seen; a difference above "
            f"{float(visible_db.max()):.2g} dB would have been seen."
        )
    place = "" if frequency_hz is None else f" at {frequency_hz[worst] / 1e6:.6g} MHz"
    count = int(np.count_nonzero(beyond > 0.0))
    return (
        f"Different at {count} of {difference_db.size} frequencies: "
        f"{difference_db[worst]:+.2g} dB{place}, where {limit_db[worst]:.2g} dB was the limit."
    )


def compare_results(first: Result, second: Result, *, further: tuple[Term, ...] = ()) -> Result:
    """`<quantity>_difference`: second minus first, errors shared by source cancelled.

    further: additional terms, in the unit of the difference: parts of an error that do not cancel
        although both results name the same source for it.

    It is meant for two revisions measured against the same reference antenna or baseline. The
    difference is significant if zero lies outside the 95 % interval; the note tells so, or tells
    how large a difference would have been found.
    Raises ReductionRefused for different quantities or results without a budget.
    """
    if first.quantity != second.quantity or first.budget is None or second.budget is None:
        raise ReductionRefused(
            f"cannot compare {first.quantity} with {second.quantity}: "
            "both must be one quantity with an uncertainty budget"
        )
    value = second.value - first.value
    together = difference(second.budget, first.budget, estimate=value)
    budget: Budget = combine((*together.terms, *further), estimate=value)
    unit = unit_of_difference(second.unit)
    flags = tuple(dict.fromkeys((*first.flags, *second.flags)))
    if abs(value) > budget.expanded:
        note = "The two differ."
    else:
        missed = t_quantile(1.0 - MISSED, budget.degrees_of_freedom) * budget.standard
        note = (
            "No difference seen; a difference above "
            f"{size_words(budget.expanded + missed, unit)} would have been seen."
        )
    return Result.of_budget(
        quantity=f"{second.quantity}_difference",
        value=value,
        unit=unit,
        budget=budget,
        frequency_hz=second.frequency_hz,
        band_hz=second.band_hz,
        place=second.place,
        antenna=second.antenna,
        flags=flags,
        captures=tuple(dict.fromkeys((*first.captures, *second.captures))),
        note=note,
    )
