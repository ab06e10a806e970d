"""How far levels drift between two captures, from what the bench file states."""

from __future__ import annotations

import math
from datetime import datetime

from benchd.bench import Bench
from benchd.bench.instruments import Drift, Receiver, SourceInstrument
from benchd.reduce.knowledge import Known
from benchd.traces import Capture

TEMPERATURE = "temperature_c"

LEAST_KELVIN = 0.2
"""What a room thermometer does not see: its resolution and the air between it and the
instruments (common practice, no source)."""


def drift_db(bench: Bench, route: str, first: Capture, second: Capture) -> Known | None:
    """Half-width of the drift between two captures, or None where the bench file states none.

    Source and analyzer are warmed by one room: their drifts are added, not squared. Both must be
    stated to be known.
    """
    described = bench.routes[route]
    names = dict.fromkeys((described.source, described.analyzer))
    instruments = [bench.instruments[name] for name in names]
    stated = [
        one.drift
        for one in instruments
        if isinstance(one, SourceInstrument | Receiver) and one.drift is not None
    ]
    if len(stated) < len(instruments):
        return None
    age_s = age_of(first.taken_at, second.taken_at)
    kelvin = _kelvin(first, second)
    return Known(sum(change_db(one, age_s, kelvin) for one in stated))


def age_of(first: datetime, second: datetime) -> float:
    """Distance in time, seconds."""
    return abs((second - first).total_seconds())


def change_db(drift: Drift, age_s: float, kelvin: float | None) -> float:
    """The most that a level changed in `age_s`, dB.

    By temperature where both captures tell theirs and the bench file its effect. Else by time: a
    stated change within a time says nothing of how it is spread over that time. A wander grows
    with the root of time, a swing fastest at its beginning; the root holds for both (a sine
    that makes its whole swing within the time passes it by 7 % at most). Beyond the stated time
    it goes on evenly.
    """
    if kelvin is not None and drift.per_kelvin_db is not None:
        return drift.per_kelvin_db * max(kelvin, LEAST_KELVIN)
    share = age_s / drift.within_s
    return drift.change_db * max(math.sqrt(share), share)


def _kelvin(first: Capture, second: Capture) -> float | None:
    if TEMPERATURE in first.readings and TEMPERATURE in second.readings:
        return abs(second.readings[TEMPERATURE] - first.readings[TEMPERATURE])
    return None
