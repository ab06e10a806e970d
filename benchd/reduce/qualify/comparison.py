"""Comparing two conditions of the bench: bonded or isolated, lights on or off, this cable or that.

The statistics are in `benchd.reduce.compare`; this module makes results and advice of them.
"""

from __future__ import annotations

import math

import numpy as np

from benchd.reduce.compare import MISSED, Comparison
from benchd.reduce.distributions import t_quantile
from benchd.reduce.qualify.spreads import ends_hz, nearest
from benchd.reduce.qualify.verdict import Judgement, decibels, gigahertz, judged, verdict
from benchd.reduce.uncertainty import combine, term
from benchd.results import Result
from benchd.traces import FloatArray

DEFAULT_WORTH_DB = 0.5
"""Smallest change of a level, dB, that is worth acting on. It is less than half of the expanded
uncertainty of a usual gain by substitution (1.25 dB); smaller changes do not matter beside that."""


def question_results(
    frequency_hz: FloatArray,
    found: Comparison,
    at_hz: list[float],
    *,
    repeats: tuple[int, int],
    names: tuple[str, str],
    worth_db: float = DEFAULT_WORTH_DB,
) -> list[Result]:
    """`difference` (second minus first) where it is largest and at the given frequencies,
    `visible_difference` (the smallest difference that these repeats can show) and the verdict.

    repeats: traces of each condition; names: what the conditions are called.
    """
    band = ends_hz(frequency_hz)
    share = math.sqrt(1.0 / repeats[0] + 1.0 / repeats[1])
    largest = int(np.argmax(np.abs(found.difference_db)))
    wanted = [(largest, float(frequency_hz[largest]))]
    wanted += [(nearest(frequency_hz, at), at) for at in at_hz]
    results = [
        _difference(found, index, at, share, names, quantity)
        for (index, at), quantity in zip(
            wanted, ["largest_difference", *["difference"] * len(at_hz)], strict=True
        )
    ]
    visible_db = float(found.visible_db.max())
    results.append(
        Result(
            quantity="visible_difference",
            value=visible_db,
            unit="dB",
            expanded_uncertainty=None,
            coverage_factor=None,
            band_hz=band,
            flags=found.flags,
            note="A difference above this would have been seen at every frequency.",
        )
    )
    judgement, note = _answer(frequency_hz, found, visible_db, names, worth_db)
    return [*results, verdict("comparison", judgement, note, band_hz=band, flags=found.flags)]


def _difference(
    found: Comparison, index: int, at_hz: float, share: float, names: tuple[str, str], quantity: str
) -> Result:
    value = float(found.difference_db[index])
    # The smallest visible difference lies t(95 %) standard uncertainties beyond the limit (see
    # `compare`).
    beyond_limit_db = float(found.visible_db[index] - found.limit_db[index])
    standard = beyond_limit_db / t_quantile(1.0 - MISSED, found.degrees_of_freedom)
    budget = combine(
        [
            term(
                "repeatability",
                standard / share,
                "dB",
                sensitivity=share,
                degrees_of_freedom=found.degrees_of_freedom,
                assumed=bool(found.flags),
            )
        ],
        estimate=value,
    )
    return Result.of_budget(
        quantity=quantity,
        value=value,
        unit="dB",
        budget=budget,
        frequency_hz=at_hz,
        flags=found.flags,
        note=f"{names[1]} less {names[0]}.",
    )


def _answer(
    frequency_hz: FloatArray,
    found: Comparison,
    visible_db: float,
    names: tuple[str, str],
    worth_db: float,
) -> tuple[Judgement, str]:
    """The verdict; `limit_db`: half of the interval around the measured difference, which holds
    at all frequencies together."""
    size_db = np.abs(found.difference_db)
    most_db = float((size_db + found.limit_db).max())
    least_db = float((size_db - found.limit_db).max())
    judgement = judged(max(0.0, least_db), most_db, most=worth_db)
    if not found.is_different:
        seen = f"No difference seen between {names[0]} and {names[1]}"
        if judgement is Judgement.GOOD:
            return judgement, (
                f"{seen}; a difference above {decibels(visible_db)} would have been seen. Leave it "
                "as it is."
            )
        return judgement, (
            f"{seen}, but there may be one of up to {decibels(most_db)}, and {decibels(worth_db)} "
            "matter: repeat more often, or make the joints more repeatable first."
        )
    significant = np.where(size_db > found.limit_db, size_db, 0.0)
    worst = int(np.argmax(significant))
    size, where = decibels(float(significant[worst])), gigahertz(float(frequency_hz[worst]))
    if judgement is Judgement.GOOD:
        return judgement, (
            f"{names[0].capitalize()} and {names[1]} differ by {size} at {where}: real, but less "
            f"than the {decibels(worth_db)} that matter."
        )
    if judgement is Judgement.UNSURE:
        return judgement, (
            f"{names[0].capitalize()} and {names[1]} differ (by {size} at {where}); whether by the "
            f"{decibels(worth_db)} that matter cannot be told: repeat more often."
        )
    return judgement, (
        f"{names[0].capitalize()} and {names[1]} differ by up to {size} (at {where}): keep to one "
        "of them, state which in every report, and find out what the other lets in."
    )
