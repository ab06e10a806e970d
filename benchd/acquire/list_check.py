"""Finding out that a trigger was missed in a list, where, and by which instrument. Pure.

What is missed shows in one of four ways: a list that does not end, readings that are fewer than
points, two passes in opposite directions that disagree, or a point that reads otherwise when it is
read again by command.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from benchd.errors import BenchdError
from benchd.reduce.noise import DB_PER_NAT
from benchd.sweeps import SweepPlan
from benchd.traces import FloatArray
from benchd.units import show

AGREE_DB = 0.1
"""Two readings of one point that differ by less agree, whatever the noise, dB. Instruments and
paths that stand still repeat better within seconds (common practice, no source). So a shift by one
point that nobody notices is wrong by no more than this: the steps are then far finer than the
resolution bandwidth, and the path is flat."""

CLEAR_DB = 10.0
"""Below this over the noise a reading tells nothing of where the source was, dB."""

_SPREADS = 6.0
"""Two readings disagree beyond so many standard deviations of their difference: among a million
pairs of a normal law none does by chance."""


class TriggerMissed(BenchdError):
    """A list was not gone through as it should; its readings belong to no known frequencies.

    frequency_hz: where the first trigger was missed; None where that cannot be known.
    """

    family = "trigger-missed"

    def __init__(self, message: str, *, where: str, frequency_hz: float | None = None) -> None:
        super().__init__(
            message,
            where=where,
            advice="Look at the trigger cable, at `settle` and `trigger_delay` under `list:` of "
            "source and analyzer in the bench file, or write step_by: command in the recipe.",
        )
        self.frequency_hz = frequency_hz


@dataclass(frozen=True, slots=True)
class ListEnd:
    """How one instrument stands after its list should have ended.

    running: by its own answer. place: points it has done; None where it cannot tell.
    """

    name: str
    running: bool
    place: int | None


def missed_in(
    frequencies_hz: FloatArray, wiring: str, source: ListEnd, analyzer: ListEnd
) -> TriggerMissed:
    """What was missed, by how source and analyzer stand; at least one of them still runs."""
    total = frequencies_hz.size
    at_hz: float | None = None
    if wiring == "hand-in-hand":
        # Both stop where the pulse was lost. A source that is a point ahead was not heard.
        name = analyzer.name
        if source.place is not None and analyzer.place is not None:
            name = analyzer.name if source.place > analyzer.place else source.name
            if analyzer.place < total:
                at_hz = float(frequencies_hz[analyzer.place])
    else:
        name = analyzer.name if wiring == "source-leads" else source.name
    stands = "; ".join(
        f"{one.name} {'still waits' if one.running else 'is through'}"
        + ("" if one.place is None else f" after {one.place} of {total} points")
        for one in (source, analyzer)
    )
    where = "" if at_hz is None else f" at {show(at_hz, 'Hz')}"
    unknown = "" if at_hz is not None else "; at which point cannot be known"
    return TriggerMissed(
        f"missed a trigger{where}: {stands}{unknown}", where=name, frequency_hz=at_hz
    )


def may_differ_db(level_dbm: FloatArray, noise_dbm: FloatArray, plan: SweepPlan) -> FloatArray:
    """Most by which two readings at these levels may differ and still agree, shape (n,), dB.

    A mean of n powers of carrier and noise has the standard deviation
    4.343 sqrt(1 + 2 g)/(1 + g)/sqrt(n) dB at the carrier to noise ratio g (`benchd.reduce.noise`);
    other detectors are taken for single readings.
    """
    samples = 1.0
    if plan.detector == "rms":
        samples = max(1.0, plan.resolution_bandwidth_hz * plan.dwell_s)
    ratio = np.maximum(10.0 ** ((level_dbm - noise_dbm) / 10.0) - 1.0, 0.0)
    one_db = DB_PER_NAT * np.sqrt((1.0 + 2.0 * ratio) / samples) / (1.0 + ratio)
    return np.asarray(np.maximum(AGREE_DB, _SPREADS * np.sqrt(2.0) * one_db))


def first_difference(
    one_dbm: FloatArray, other_dbm: FloatArray, noise_dbm: FloatArray, plan: SweepPlan
) -> int | None:
    """The first point at which two readings of it disagree; None where they agree.

    Points at which both are near the noise are not judged.
    """
    higher = np.maximum(one_dbm, other_dbm)
    clear = higher > noise_dbm + CLEAR_DB
    apart = np.abs(one_dbm - other_dbm) > may_differ_db(higher, noise_dbm, plan)
    found = np.flatnonzero(clear & apart)
    return int(found[0]) if found.size else None


def telling_points(level_dbm: FloatArray) -> list[int]:
    """Points that would read otherwise if readings were shifted by one, each once.

    The last, since a shift that began somewhere goes on to the end; the steepest of the whole and
    of the second half; and at the end the highest.
    """
    steps = np.abs(np.diff(level_dbm))
    half = steps.size // 2
    chosen = [level_dbm.size - 1]
    if steps.size:
        chosen += [int(np.argmax(steps)), half + int(np.argmax(steps[half:]))]
    highest = int(np.argmax(level_dbm))
    return [*(one for one in dict.fromkeys(chosen) if one != highest), highest]
