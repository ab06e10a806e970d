"""What people moving nearby do to a level, lid closed and lid open."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from benchd.reduce.distributions import f_exceeded, sd_interval
from benchd.reduce.qualify.spreads import (
    ends_hz,
    nearest,
    pooled_db,
    spread_db,
    spread_result,
)
from benchd.reduce.qualify.verdict import Judgement, decibels, judged, verdict
from benchd.results import Result
from benchd.traces import FloatArray

DEFAULT_LIMIT_DB = 0.1
"""Largest standard deviation, dB, that people may add with the lid closed. A gain needs two levels,
so this adds 0.14 dB to a standard uncertainty of about 0.6 dB and raises it by 3 %. Twice as much
would be worth a better lid."""

FALSE_ALARM = 0.01
"""Probability of finding an effect of people where there is none: one qualification in 100."""


@dataclass(frozen=True, eq=False)
class Movement:
    """Spread of repeated sweeps while people moved, against sweeps while nobody did.

    moving_db, still_db: shape (n,), standard deviations over the repeats.
    added_db: what people add over the whole band, the bench's own spread taken off.
    added_ends_db: ends of its 95 % interval.
    is_seen: whether the spread with people exceeds the bench's own beyond chance.
    """

    moving_db: FloatArray
    still_db: FloatArray
    added_db: float
    added_ends_db: tuple[float, float]
    degrees_of_freedom: float
    is_seen: bool


def movement(moving_db: FloatArray, still_db: FloatArray) -> Movement:
    """Compare repeats (repeats, n) with people moving and with nobody moving.

    Each point of a sweep is read at another moment, when the person is at another place. So
    variances pooled over the n points have n times the degrees of freedom. F test of two
    variances (common practice). Raises ReductionRefused for fewer than 3 repeats of either.
    """
    moving, still = spread_db(moving_db), spread_db(still_db)
    freedom = float(moving.size * (moving_db.shape[0] - 1))
    freedom_still = float(still.size * (still_db.shape[0] - 1))
    large, small = pooled_db(moving) ** 2, pooled_db(still) ** 2
    many, few = (
        sd_interval(pooled_db(moving), freedom),
        sd_interval(pooled_db(still), freedom_still),
    )
    # The difference of two variances, each with its own interval: the distances of their ends from
    # their values add in quadrature.
    above = math.hypot(many[1] ** 2 - large, small - few[0] ** 2)
    below = math.hypot(large - many[0] ** 2, few[1] ** 2 - small)
    added = large - small
    chance = f_exceeded(large / small, freedom, freedom_still) if small > 0.0 else 0.0
    return Movement(
        moving_db=moving,
        still_db=still,
        added_db=math.sqrt(max(0.0, added)),
        added_ends_db=(
            math.sqrt(max(0.0, added - below)),
            math.sqrt(max(0.0, added + above)),
        ),
        degrees_of_freedom=freedom,
        is_seen=bool(large > 0.0 and chance < FALSE_ALARM),
    )


def stillness_results(
    frequency_hz: FloatArray,
    closed: Movement,
    opened: Movement | None,
    at_hz: list[float],
    limit_db: float = DEFAULT_LIMIT_DB,
) -> list[Result]:
    """`stillness_spread_closed` and `_open` over the band and at frequencies; the verdict."""
    band = ends_hz(frequency_hz)
    results: list[Result] = []
    for lid, one in (("closed", closed), ("open", opened)):
        if one is None:
            continue
        seen = "seen" if one.is_seen else "not seen"
        note = f"People moving are {seen}; the bench's own {decibels(pooled_db(one.still_db))}."
        results.append(
            spread_result(
                f"stillness_spread_{lid}",
                pooled_db(one.moving_db),
                one.degrees_of_freedom,
                band_hz=band,
                note=note,
            )
        )
        # At a single frequency there are only its own repeats, nothing to pool.
        freedom = one.degrees_of_freedom / one.moving_db.size
        results += [
            spread_result(
                f"stillness_spread_{lid}",
                float(one.moving_db[nearest(frequency_hz, at)]),
                freedom,
                frequency_hz=at,
            )
            for at in at_hz
        ]
    note = _closed_words(closed, limit_db) + _open_words(opened, limit_db)
    return [*results, verdict("stillness", _judged(closed, limit_db), note, band_hz=band)]


def _judged(one: Movement, limit_db: float) -> Judgement:
    return judged(*one.added_ends_db, most=limit_db)


def _closed_words(closed: Movement, limit_db: float) -> str:
    judgement = _judged(closed, limit_db)
    if judgement is Judgement.UNSURE:
        low, high = (decibels(end) for end in closed.added_ends_db)
        return (
            f"With the lid closed people moving add {decibels(closed.added_db)} ({low} to {high}), "
            f"{decibels(limit_db)} matter: repeat more sweeps, or steady the bench, to tell."
        )
    if not closed.is_seen:
        own = decibels(pooled_db(closed.still_db))
        return f"With the lid closed people moving are not seen ({own} is the bench's own spread)."
    worst = decibels(float(np.max(closed.moving_db)))
    if judgement is Judgement.GOOD:
        return (
            f"With the lid closed people moving add {decibels(closed.added_db)}, less than the "
            f"{decibels(limit_db)} that matter."
        )
    return (
        f"Even with the lid closed people moving add {decibels(closed.added_db)} (up to {worst} at "
        "single frequencies): seal the lid's seam with conductive gasket, and keep everybody 3 m "
        "away until then."
    )


def _open_words(opened: Movement | None, limit_db: float) -> str:
    if opened is None:
        return ""
    if _judged(opened, limit_db) is Judgement.GOOD:
        return " With the lid open they hardly matter either."
    return f" With the lid open they add {decibels(opened.added_db)}: measure with it closed."
