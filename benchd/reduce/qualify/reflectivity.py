"""What the walls of the box do to a gain: reflected level, spread, usable frequencies.

An antenna is moved along the range, where the level ripples fastest with the reflections of the end
walls, and across it for the side walls. The direct ray falls as 1/distance. What changes beyond
that comes from the walls. Its standard deviation over places is the standard uncertainty of a
gain that is measured at one place. Its ripple gives the reflected level.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from benchd.errors import ReductionRefused
from benchd.reduce.distributions import coverage_factor, sd_interval
from benchd.reduce.qualify.spreads import averaged_near, ends_hz, nearest, pooled_db, spread_result
from benchd.reduce.qualify.verdict import (
    Judgement,
    all_of,
    decibels,
    gigahertz,
    judged,
    verdict,
)
from benchd.reduce.ripple import reflected_level_db, ripple_db, travel_is_enough
from benchd.results import Result
from benchd.traces import BoolArray, FloatArray

DEFAULT_CLAIM_DB = 2.0
"""Expanded uncertainty, dB, that the box alone may cause in a gain at one place. A new revision
of a small antenna is worth making for about 1 dB. Averaged over 8 places, 2 dB become 0.7 dB,
small enough to see that."""

DIRECTIONS = 3
"""Along, across and up. A line shows mainly the walls at its own ends. So the variance of one path
is the sum of the variances of three lines. A line that was not measured is taken to have the mean
variance of those that were."""

NEIGHBOURHOOD = 0.05
"""Relative half-width over which variances of neighbouring frequencies are averaged. It is much
smaller than the period of a box's ripple over frequency, so the result is steadier and no bad band
is hidden."""

MOST_SWING_DB = 60.0
"""Ripple, dB, from which on the level has a null: the reflection is as strong as the direct ray."""


@dataclass(frozen=True, eq=False)
class Line:
    """Levels at places along a straight line, evenly spaced.

    name: what lies at its ends, `end walls` or `side walls`.
    levels_db: shape (places, n).
    distance_m: shape (places,), from the other antenna to each place.
    travel_m: from the first place to the last.
    """

    name: str
    levels_db: FloatArray
    distance_m: FloatArray
    travel_m: float

    def without_direct(self) -> FloatArray:
        """The levels converted to one distance: the direct ray falls as 1/distance (Friis)."""
        change_db = 20.0 * np.log10(self.distance_m / self.distance_m.mean())
        found: FloatArray = self.levels_db + change_db[:, np.newaxis]
        return found


@dataclass(frozen=True, eq=False)
class Walls:
    """What the walls do over frequency, all arrays of shape (n,).

    reflected_db: per line, level of the reflection below the direct ray.
    line_sd_db: per line, standard deviation of one level over its places.
    level_sd_db: standard deviation of one level over the places of one line, pooled.
    path_sd_db: standard deviation of the level of one path, by the walls of all three directions.
    places: how many on all lines together.
    degrees_of_freedom: places less one for the mean of each line.
    is_judged: False where the antenna moved less than half a wavelength on some line.
    """

    frequency_hz: FloatArray
    reflected_db: dict[str, FloatArray]
    line_sd_db: dict[str, FloatArray]
    level_sd_db: FloatArray
    path_sd_db: FloatArray
    places: int
    degrees_of_freedom: float
    is_judged: BoolArray

    @property
    def gain_sd_db(self) -> FloatArray:
        """Standard deviation of the difference of two unlike antennas at one place.

        The walls behind the other end of the range act on both in the same way, and much of the
        effect of the others is common too. The rest is at most the spread of one line. Simulated
        boxes (six mirrors, and the virtual bench) gave 0.85 to 0.93 of that spread. Between two
        equal antennas the difference is nearly zero.
        """
        return self.level_sd_db

    @property
    def one_place_db(self) -> FloatArray:
        """Expanded uncertainty (95 %) that the box causes in a gain at one place."""
        found: FloatArray = coverage_factor(self.degrees_of_freedom) * self.gain_sd_db
        return found

    @property
    def averaged_db(self) -> FloatArray:
        """The same for a gain averaged over all these places (JCGM 100, 4.2.3)."""
        found: FloatArray = self.one_place_db / math.sqrt(self.places)
        return found


def walls(frequency_hz: FloatArray, lines: Sequence[Line]) -> Walls:
    """Judge a box from levels along one or more lines.

    Raises ReductionRefused without lines or with fewer than 5 places on one.
    """
    if not lines:
        raise ReductionRefused("no places were captured")
    cleaned = [line.without_direct() for line in lines]
    told = np.array(
        [all(travel_is_enough(line.travel_m, f) for line in lines) for f in frequency_hz]
    )
    residues = np.concatenate([levels - levels.mean(axis=0) for levels in cleaned])
    places = residues.shape[0]
    freedom = float(places - len(lines))
    variance = (residues**2).sum(axis=0) / freedom
    level_sd_db = np.sqrt(averaged_near(frequency_hz, variance, NEIGHBOURHOOD))
    return Walls(
        frequency_hz=frequency_hz,
        reflected_db={
            line.name: _reflected(levels) for line, levels in zip(lines, cleaned, strict=True)
        },
        line_sd_db={
            line.name: levels.std(axis=0, ddof=1)
            for line, levels in zip(lines, cleaned, strict=True)
        },
        level_sd_db=level_sd_db,
        path_sd_db=math.sqrt(DIRECTIONS) * level_sd_db,
        places=places,
        degrees_of_freedom=freedom,
        is_judged=told,
    )


def _reflected(levels_db: FloatArray) -> FloatArray:
    swings = np.minimum(ripple_db(levels_db), MOST_SWING_DB)
    return np.array([reflected_level_db(float(swing)) for swing in swings])


def usable_from_hz(found: Walls, claim_db: float, *, averaged: bool = False) -> float | None:
    """Lowest frequency from which on the box supports the claim everywhere above; None if none.

    A frequency where the antenna moved too little to judge counts as unusable.
    """
    sizes = found.averaged_db if averaged else found.one_place_db
    good = found.is_judged & (sizes <= claim_db)
    bad = np.flatnonzero(~good)
    if bad.size == 0:
        return float(found.frequency_hz[0])
    first = int(bad[-1]) + 1
    return float(found.frequency_hz[first]) if first < good.size else None


def reflectivity_results(
    found: Walls, at_hz: list[float], *, needed_hz: float, claim_db: float = DEFAULT_CLAIM_DB
) -> list[Result]:
    """`reflected_level`, `box_path_spread` (one path), `box_gain_spread` (a difference of two) and
    `box_gain_uncertainty` (averaged over the places) at frequencies; `usable_from` and
    `usable_from_averaged`; the verdict.

    needed_hz: the lowest frequency at which the box has to be good.
    """
    results: list[Result] = []
    for at in at_hz:
        results += _at(found, at)
    band = ends_hz(found.frequency_hz)
    for quantity, averaged in (("usable_from", False), ("usable_from_averaged", True)):
        usable = usable_from_hz(found, claim_db, averaged=averaged)
        if usable is not None:
            results.append(_usable(quantity, usable, found, claim_db, band))
    return [*results, _verdict(found, needed_hz, claim_db, band)]


def _at(found: Walls, at_hz: float) -> list[Result]:
    here = nearest(found.frequency_hz, at_hz)
    flags = () if found.is_judged[here] else ("short-travel",)
    freedom = found.degrees_of_freedom
    worst = max(found.reflected_db, key=lambda name: float(found.reflected_db[name][here]))
    level = Result(
        quantity="reflected_level",
        value=float(found.reflected_db[worst][here]),
        unit="dB",
        expanded_uncertainty=None,
        coverage_factor=None,
        frequency_hz=at_hz,
        flags=flags,
        note=f"Strongest from the {worst}; below the direct ray.",
    )
    path = spread_result(
        "box_path_spread",
        float(found.path_sd_db[here]),
        freedom,
        frequency_hz=at_hz,
        flags=flags,
        note=f"Standard deviation of one path alone, from {found.places} places.",
    )
    spread = spread_result(
        "box_gain_spread",
        float(found.gain_sd_db[here]),
        freedom,
        frequency_hz=at_hz,
        flags=flags,
        note=f"Standard deviation of a gain at one place, from {found.places} places.",
    )
    mean = spread_result(
        "box_gain_uncertainty",
        float(found.gain_sd_db[here]) / math.sqrt(found.places),
        freedom,
        frequency_hz=at_hz,
        flags=flags,
        note=f"Standard uncertainty of a gain averaged over {found.places} places.",
    )
    return [level, path, spread, mean]


def _usable(
    quantity: str, usable_hz: float, found: Walls, claim_db: float, band: tuple[float, float]
) -> Result:
    how = "averaged over the places" if quantity.endswith("averaged") else "at one place"
    flags = ("edge-of-band",) if usable_hz == found.frequency_hz[0] else ()
    return Result(
        quantity=quantity,
        value=usable_hz,
        unit="Hz",
        expanded_uncertainty=None,
        coverage_factor=None,
        band_hz=band,
        flags=flags,
        note=f"From here up the box keeps a gain {how} within {decibels(claim_db)}.",
    )


def _judgement(found: Walls, needed_hz: float, claim_db: float) -> Judgement:
    """Judge what the box may cause from `needed_hz` up, by the whole interval of its spread.

    In 95 % of cases the error of a gain at one place is at most k times the true standard
    deviation. That lies in the chi-square interval of the measured one. Where the antenna moved too
    little, the answer is "cannot tell".
    """
    needed = found.frequency_hz >= min(needed_hz, float(found.frequency_hz[-1]))
    told = needed & found.is_judged
    k = coverage_factor(math.inf)
    low, high = sd_interval(1.0, found.degrees_of_freedom)
    each = [
        judged(k * low * float(sd), k * high * float(sd), most=claim_db)
        for sd in found.gain_sd_db[told]
    ]
    if not np.array_equal(told, needed):
        each.append(Judgement.UNSURE)
    return all_of(*each)


def _verdict(found: Walls, needed_hz: float, claim_db: float, band: tuple[float, float]) -> Result:
    judgement = _judgement(found, needed_hz, claim_db)
    flags = () if bool(found.is_judged.all()) else ("short-travel",)
    note = {
        Judgement.GOOD: _good_words,
        Judgement.UNSURE: _unsure_words,
        Judgement.NOT_GOOD: _bad_words,
    }[judgement](found, needed_hz, claim_db)
    note += _too_short(found)
    return verdict("reflectivity", judgement, note, band_hz=band, flags=flags)


def _good_words(found: Walls, needed_hz: float, claim_db: float) -> str:
    usable = usable_from_hz(found, claim_db)
    start_hz = max(needed_hz, float(found.frequency_hz[0])) if usable is None else usable
    limit = decibels(float(found.one_place_db[found.frequency_hz >= start_hz].max()))
    return (
        f"From {gigahertz(start_hz)} up this box supports a gain claim of {limit} at one "
        f"place; averaging over {found.places} places divides it by "
        f"{math.sqrt(found.places):.1f}."
    )


def _unsure_words(found: Walls, needed_hz: float, claim_db: float) -> str:
    told = found.is_judged & (found.frequency_hz >= min(needed_hz, found.frequency_hz[-1]))
    if not told.any():
        return f"From {gigahertz(needed_hz)} up the box was not judged."
    worst_db = float(found.one_place_db[told].max())
    return (
        f"From {gigahertz(needed_hz)} up the box may cause up to {decibels(worst_db)} in a gain at "
        f"one place, from {found.places} places; whether it keeps within "
        f"{decibels(claim_db)} cannot be told: measure at more places, or line the "
        f"{_strongest(found, told)}."
    )


def _bad_words(found: Walls, needed_hz: float, claim_db: float) -> str:
    usable = usable_from_hz(found, claim_db)
    below = np.ones(found.frequency_hz.shape, dtype=bool)
    if usable is not None and usable > found.frequency_hz[0]:
        below = found.frequency_hz < usable
    told = below & found.is_judged
    top = gigahertz(float(found.frequency_hz[-1]) if usable is None else usable)
    averaged = decibels(float(found.averaged_db[told].max()))
    return (
        f"{'Up to' if usable is None else 'Below'} {top} this box cannot support a gain claim "
        f"better than {decibels(float(found.one_place_db[told].max()))}; line the "
        f"{_strongest(found, told)} first. Averaging over {found.places} places brings it to "
        f"{averaged}."
    )


def _strongest(found: Walls, told: BoolArray) -> str:
    """The name of the walls whose line has the largest spread."""
    sizes = {name: pooled_db(spread[told]) for name, spread in found.line_sd_db.items()}
    return max(sizes, key=lambda name: sizes[name])


def _too_short(found: Walls) -> str:
    if found.is_judged.all():
        return ""
    if not found.is_judged.any():
        return " The antenna moved less than half a wavelength: move it further."
    first = gigahertz(float(found.frequency_hz[found.is_judged][0]))
    return f" Below {first} it moved less than half a wavelength, which shows too little."
