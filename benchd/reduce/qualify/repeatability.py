"""Repeated reconnecting of a cable: the spread that each joint adds to every result."""

from __future__ import annotations

import numpy as np

from benchd.reduce.qualify.spreads import (
    ends_hz,
    nearest,
    pooled_db,
    spread_db,
    spread_result,
)
from benchd.reduce.qualify.verdict import (
    Judgement,
    all_of,
    decibels,
    gigahertz,
    judged,
    verdict,
)
from benchd.results import Result
from benchd.traces import FloatArray

DEFAULT_LIMIT_DB = 0.1
"""Largest standard deviation of one joint, dB. A gain by substitution contains two of them. At
0.1 dB each they make 0.14 dB beside a standard uncertainty of about 0.6 dB and raise it by 3 %.
Twice as much would be noticed."""


def repeatability_results(
    frequency_hz: FloatArray,
    levels_db: FloatArray,
    at_hz: list[float],
    *,
    limit_db: float = DEFAULT_LIMIT_DB,
    bent_db: FloatArray | None = None,
) -> list[Result]:
    """`repeatability_spread` over reconnections, `flex_spread` over bends, and the verdict.

    levels_db: shape (reconnections, n); bent_db: shape (bends, n), nothing reconnected.
    One joint's error is nearly the same at neighbouring frequencies. So pooling over the band makes
    the spread steadier, but adds no degrees of freedom. Raises ReductionRefused for fewer than 3.
    """
    band = ends_hz(frequency_hz)
    results: list[Result] = []
    spreads_found: dict[str, tuple[Result, float]] = {}
    for quantity, levels in (("repeatability_spread", levels_db), ("flex_spread", bent_db)):
        if levels is None:
            continue
        spreads = spread_db(levels, "reconnections" if levels is levels_db else "bends")
        freedom = float(levels.shape[0] - 1)
        whole = spread_result(quantity, pooled_db(spreads), freedom, band_hz=band)
        results.append(whole)
        results += [
            spread_result(
                quantity,
                float(spreads[nearest(frequency_hz, at)]),
                freedom,
                frequency_hz=at,
            )
            for at in at_hz
        ]
        worst = int(np.argmax(spreads))
        spreads_found[quantity] = (whole, float(frequency_hz[worst]))
    return [*results, _verdict(spreads_found, limit_db, band)]


def _verdict(
    found: dict[str, tuple[Result, float]], limit_db: float, band: tuple[float, float]
) -> Result:
    joint, worst_hz = found["repeatability_spread"]
    joint_db = joint.value
    flex_db = found["flex_spread"][0].value if "flex_spread" in found else 0.0
    judgement = all_of(*(judged(one.low, one.high, most=limit_db) for one, _ in found.values()))
    if judgement is Judgement.GOOD:
        words = f"A joint made anew changes a level by {decibels(joint_db)} (standard deviation)"
        if "flex_spread" in found:
            words += f", a bent cable by {decibels(flex_db)}"
        note = (
            f"{words}: below {decibels(limit_db)}, good enough. State it as the repeatability of "
            "the cable in the bench file."
        )
        return verdict("repeatability", judgement, note, band_hz=band)
    if judgement is Judgement.UNSURE:
        return verdict("repeatability", judgement, _unsure_words(found, limit_db), band_hz=band)
    if flex_db > joint_db:
        note = (
            f"Bending the cable changes a level by {decibels(flex_db)} (standard deviation), more "
            f"than {decibels(limit_db)}: fix its course with clamps, or replace it."
        )
    else:
        note = (
            f"A joint made anew changes a level by {decibels(joint_db)} (standard deviation, worst "
            f"near {gigahertz(worst_hz)}), more than {decibels(limit_db)}: clean the connectors, "
            "look for worn or loose ones, use a torque wrench, then measure again."
        )
    return verdict("repeatability", judgement, note, band_hz=band)


def _unsure_words(found: dict[str, tuple[Result, float]], limit_db: float) -> str:
    kinds = {"repeatability_spread": "a joint made anew", "flex_spread": "a bent cable"}
    open_ones = [
        f"{kinds[quantity]} changes a level by {decibels(one.value)} "
        f"({decibels(one.low or 0.0)} to {decibels(one.high or 0.0)})"
        for quantity, (one, _) in found.items()
        if judged(one.low, one.high, most=limit_db) is Judgement.UNSURE
    ]
    return (
        f"The limit of {decibels(limit_db)} lies within what was seen: {', '.join(open_ones)} "
        "(standard deviation). Repeat more often to tell; twice as many repeats narrow it by a "
        "third."
    )
