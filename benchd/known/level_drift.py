"""How far levels drift between two captures, from what the bench file states."""

from __future__ import annotations

import math
from datetime import datetime

from benchd.bench import Bench
from benchd.bench.instruments import Drift, Receiver, SourceInstrument
from benchd.reduce.budget_inputs import Known
from benchd.traces import Capture

TEMPERATURE = "temperature_c"

LEAST_KELVIN = 0.2
"""Smallest change of temperature that is allowed for, K. A room thermometer may miss that much: by
its resolution, and because the air differs at the instruments (common practice, no source)."""


def drift_db(bench: Bench, route: str, first: Capture, second: Capture) -> Known | None:
    """Half-width of the drift between two captures, or None where the bench file states none.

    Source and analyzer stand in the same room and drift together, so their drifts are added and
    not combined as squares. Both must be stated in the bench file.
    """
    stated = _stated(bench, route)
    if stated is None:
        return None
    age_s = age_of(first.taken_at, second.taken_at)
    kelvin = _kelvin(first, second)
    return Known(sum(change_db(one, age_s, kelvin) for one in stated))


def drift_after_db(bench: Bench, route: str, age_s: float) -> float | None:
    """Half-width of the drift that a capture of this age has by now, dB, whatever the temperature
    did; None where the bench file states none."""
    stated = _stated(bench, route)
    return None if stated is None else sum(change_db(one, age_s, None) for one in stated)


def _stated(bench: Bench, route: str) -> list[Drift] | None:
    """The drifts of the instruments of a route; None unless all of them are stated."""
    described = bench.routes[route]
    names = dict.fromkeys((described.source, described.analyzer))
    instruments = [bench.instruments[name] for name in names]
    stated = [
        one.drift
        for one in instruments
        if isinstance(one, SourceInstrument | Receiver) and one.drift is not None
    ]
    return stated if len(stated) == len(instruments) else None


def age_of(first: datetime, second: datetime) -> float:
    """Time between two moments, seconds, whichever came first."""
    return abs((second - first).total_seconds())


def change_db(drift: Drift, age_s: float, kelvin: float | None) -> float:
    """Largest change of a level within `age_s`, dB.

    Where both captures have a temperature and the bench file states the effect of temperature, the
    change follows from these. Else it follows from time: the bench file states a change within a
    time, but not how fast it happens inside that time. A random wander grows with the square root
    of time. A slow swing changes fastest at its beginning. The square root covers both: a sine that
    makes its whole swing within the stated time exceeds it by 7 % at most. Beyond the stated time
    the change is taken to grow in proportion to time.
    """
    if kelvin is not None and drift.per_kelvin_db is not None:
        return drift.per_kelvin_db * max(kelvin, LEAST_KELVIN)
    share = age_s / drift.within_s
    return drift.change_db * max(math.sqrt(share), share)


def _kelvin(first: Capture, second: Capture) -> float | None:
    if TEMPERATURE in first.readings and TEMPERATURE in second.readings:
        return abs(second.readings[TEMPERATURE] - first.readings[TEMPERATURE])
    return None
