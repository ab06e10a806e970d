"""What the closed box keeps in and out: shielding of its lid and seam, transmitters that enter.

Shielding effectiveness is SE = 20 lg(E1/E2), the field without and with the shield. Here it is the
level with the lid open against the level with the lid closed, with both antennas unmoved. IEEE Std
299.1-2013 covers enclosures from 0.1 to 2 m, IEEE Std 299 those of 2 m and more (scopes; the
formula from memory). A workshop's box is measured in the way of the former, without all that it
requires.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from benchd.reduce.qualify.spreads import ends_hz, nearest
from benchd.reduce.qualify.verdict import (
    Judgement,
    all_of,
    decibels,
    gigahertz,
    judged,
    verdict,
)
from benchd.reduce.uncertainty import combine, term
from benchd.results import Result
from benchd.traces import BoolArray, FloatArray

DEFAULT_LEAST_DB = 20.0
"""Shielding that a measuring box needs, dB. A person one metre from an open lid changes a level by
2 dB peak to peak. The echo of a person passes the shield twice: with 20 dB of shielding it falls by
40 dB, and the change to 0.02 dB. A transmitter's signal passes it only once; the ingress results
tell whether that is enough."""

DEFAULT_DISTURBANCE_DB = 0.1
"""The most that a transmitter may change a reading, dB: as much as one cable joint may (see
`repeatability`). That is 1.2 % in amplitude, so the transmitter must lie 38.7 dB below the
reading."""

CLEAR_OF_NOISE_DB = 10.0
"""A level counts as measured if it is this far above the noise, dB. An RMS detector then reads at
most 0.41 dB high. Closer to the noise, only a lower limit of the shielding is known."""

PLACING_DB = 1.0
"""Standard uncertainty of one pair of levels, dB: the antennas are not at exactly the same place
again, and there are standing waves in the room (assumed; common practice, no source)."""

HELD_NOISE_DB = 10.0
"""A transmitter counts as seen this far above the median of the trace: held maxima of noise
scatter by some 3 dB."""


@dataclass(frozen=True, eq=False)
class Shielding:
    """Shielding at one place over frequency, shape (n,), dB.

    is_least: True where the closed level was below the noise, so that this is a lower limit.
    """

    place: str
    frequency_hz: FloatArray
    shielding_db: FloatArray
    is_least: BoolArray

    @property
    def weakest(self) -> int:
        """Index of the lowest shielding."""
        return int(np.argmin(self.shielding_db))


def shielding(
    place: str,
    frequency_hz: FloatArray,
    open_dbm: FloatArray,
    closed_dbm: FloatArray,
    noise_dbm: FloatArray | float,
) -> Shielding:
    """Open over closed, shapes (n,). noise_dbm: the analyzer's reading with RF off."""
    near = closed_dbm < np.asarray(noise_dbm) + CLEAR_OF_NOISE_DB
    floor = np.where(near, np.maximum(closed_dbm, np.asarray(noise_dbm)), closed_dbm)
    return Shielding(place, frequency_hz, open_dbm - floor, near)


def disturbance_db(transmitter_dbm: float, reading_dbm: float) -> float:
    """The most that a transmitter within the filter's bandwidth changes a reading, dB:
    20 lg(1 + ratio of the amplitudes)."""
    return 20.0 * math.log10(1.0 + 10.0 ** ((transmitter_dbm - reading_dbm) / 20.0))


def highest_transmitter_dbm(reading_dbm: float, disturbance: float) -> float:
    """The level at which a transmitter changes a reading by so much."""
    return reading_dbm + 20.0 * math.log10(10.0 ** (disturbance / 20.0) - 1.0)


def transmitters(
    frequency_hz: FloatArray, level_dbm: FloatArray, most: int = 8
) -> list[tuple[float, float]]:
    """Peaks above the noise: (frequency_hz, level_dbm), strongest first.

    Neighbouring points above the noise belong to one transmitter.
    """
    threshold = float(np.median(level_dbm)) + HELD_NOISE_DB
    above = np.flatnonzero(level_dbm > threshold)
    groups = np.split(above, np.flatnonzero(np.diff(above) > 1) + 1) if above.size else []
    peaks = [int(group[np.argmax(level_dbm[group])]) for group in groups]
    found = [(float(frequency_hz[peak]), float(level_dbm[peak])) for peak in peaks]
    return sorted(found, key=lambda one: -one[1])[:most]


def leakage_results(
    places: list[Shielding],
    at_hz: list[float],
    *,
    linearity_db: float,
    is_linearity_known: bool,
    least_db: float = DEFAULT_LEAST_DB,
    ingress: list[tuple[float, float]] | None = None,
    reading_dbm: float = 0.0,
    most_disturbance_db: float = DEFAULT_DISTURBANCE_DB,
) -> list[Result]:
    """`shielding` per place (weakest in the band, and at frequencies), `shielding_min` of all,
    `ingress_level` per transmitter, and the verdict.

    ingress: transmitters seen with the lid closed and RF off; None where nobody listened.
    reading_dbm: the weakest level usually measured, which transmitters must not disturb.
    """
    results: list[Result] = []
    for place in places:
        results.append(_one(place, place.weakest, "shielding", linearity_db, is_linearity_known))
        results += [
            _one(place, nearest(place.frequency_hz, at), "shielding", linearity_db,
                 is_linearity_known, at)
            for at in at_hz
        ]  # fmt: skip
    worst = min(places, key=lambda place: float(place.shielding_db.min()))
    least = _one(worst, worst.weakest, "shielding_min", linearity_db, is_linearity_known)
    results.append(least)
    results += [_ingress(one, reading_dbm) for one in ingress or []]
    limit_dbm = highest_transmitter_dbm(reading_dbm, most_disturbance_db)
    # The uncertainty of a transmitter's level is that of the analyzer's scale.
    enters = {
        one: judged(one[1] - linearity_db, one[1] + linearity_db, most=limit_dbm)
        for one in ingress or []
    }
    holds = judged(least.low, least.high, least=least_db)
    judgement = all_of(holds, *enters.values())
    note = _shield_words(worst, least, holds, least_db) + _ingress_words(
        ingress, enters, reading_dbm
    )
    flags = ("near-noise",) if "near-noise" in least.flags else ()
    band = ends_hz(worst.frequency_hz)
    return [*results, verdict("leakage", judgement, note, band_hz=band, flags=flags)]


def _one(
    place: Shielding,
    index: int,
    quantity: str,
    linearity_db: float,
    is_known: bool,
    at_hz: float | None = None,
) -> Result:
    value = float(place.shielding_db[index])
    budget = combine(
        [
            term("placing and standing waves", PLACING_DB, "dB", assumed=True),
            term("linearity", linearity_db, "dB", "rectangular", assumed=not is_known),
        ],
        estimate=value,
    )
    is_least = bool(place.is_least[index])
    where = gigahertz(float(place.frequency_hz[index]))
    more = "at least this, " if is_least else ""
    return Result(
        quantity=quantity,
        value=value,
        unit="dB",
        expanded_uncertainty=budget.expanded,
        coverage_factor=budget.coverage_factor,
        low=budget.low,
        high=None if is_least else budget.high,
        frequency_hz=at_hz,
        band_hz=None if at_hz is not None else ends_hz(place.frequency_hz),
        flags=("assumed-term", "near-noise") if is_least else ("assumed-term",),
        budget=budget,
        note=f"{place.place}: {more}weakest at {where}." if at_hz is None else f"{place.place}.",
    )


def _ingress(one: tuple[float, float], reading_dbm: float) -> Result:
    frequency_hz, level_dbm = one
    size = decibels(disturbance_db(level_dbm, reading_dbm))
    return Result(
        quantity="ingress_level",
        value=level_dbm,
        unit="dBm",
        expanded_uncertainty=None,
        coverage_factor=None,
        frequency_hz=frequency_hz,
        note=f"Enters the closed box; on its frequency a reading of {reading_dbm:.0f} dBm changes "
        f"by up to {size}.",
    )


def _shield_words(worst: Shielding, least: Result, holds: Judgement, least_db: float) -> str:
    value = float(worst.shielding_db[worst.weakest])
    where = gigahertz(float(worst.frequency_hz[worst.weakest]))
    if holds is Judgement.UNSURE:
        ends = f"{least.low:.0f} dB or more"
        advice = "raise the level of the source until the closed box is heard above the noise"
        if least.high is not None:
            ends = f"{least.low:.0f} to {least.high:.0f} dB"
            advice = "hold the antennas more exactly in place"
        return (
            f"The {worst.place} holds back {value:.0f} dB at {where} ({ends}), {least_db:.0f} dB "
            f"are needed: cannot tell. Measure again and {advice}, or seal the seam first."
        )
    if holds is Judgement.NOT_GOOD:
        return (
            f"The {worst.place} holds back only {value:.0f} dB at {where}, {least_db:.0f} dB are "
            "needed: press the lid down evenly, put conductive gasket into the seam, and measure "
            "again."
        )
    more = "at least " if worst.is_least[worst.weakest] else ""
    return (
        f"The closed box shields by {more}{value:.0f} dB (weakest: {worst.place}, {where}): people "
        "outside are not seen."
    )


def _ingress_words(
    ingress: list[tuple[float, float]] | None,
    enters: dict[tuple[float, float], Judgement],
    reading_dbm: float,
) -> str:
    if ingress is None:
        return " Nobody listened for transmitters."
    if not ingress:
        return " No transmitter outside was heard."
    worst = all_of(*enters.values())
    if worst is Judgement.GOOD:
        return " Transmitters outside are heard, but too weak to matter."
    frequency_hz, level_dbm = next(one for one in ingress if enters[one] is worst)
    if worst is Judgement.UNSURE:
        return (
            f" A transmitter at {gigahertz(frequency_hz)} enters with {level_dbm:.0f} dBm, about "
            f"as much as a reading of {reading_dbm:.0f} dBm bears there: keep off its frequency, "
            "or raise the level of the source."
        )
    return (
        f" A transmitter at {gigahertz(frequency_hz)} enters with {level_dbm:.0f} dBm and would "
        f"change a reading of {reading_dbm:.0f} dBm there by "
        f"{decibels(disturbance_db(level_dbm, reading_dbm))}: keep off its frequency, or raise "
        "the level of the source."
    )
