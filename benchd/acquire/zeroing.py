"""Zeroing a power meter: with RF off, and seen to have worked.

Whoever runs this has asked every source whether it is off. A source that lies about that would be
zeroed away together with the meter's own offset, and nobody would see it any more; so the meter is
read first, and one that reads too much is not zeroed.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np

from benchd.acquire.plan import Procedure, power_mean_dbm
from benchd.bench import Bench
from benchd.bench.instruments import PowerMeterInstrument
from benchd.errors import InstrumentRefused

READINGS = 4

NOT_ZEROED_ABOVE_DB = 20.0
"""How far above its noise a meter may read before it is zeroed: a hundred times its noise is an
offset that no meter grows in a day, and less than what a source brings (common practice, no
source)."""

ZEROED_WITHIN_DB = 6.0
"""How far above its noise, or above how far its zero drifts, it may read afterwards: the mean size
of four readings lies within that in all but one of a million cases (normal law, arithmetic)."""


class NotZeroed(InstrumentRefused):
    """A power meter was not zeroed, since something arrives at it with RF off."""


@dataclass(frozen=True, slots=True)
class Zero:
    """What a power meter reads of nothing.

    noise_dbm: standard deviation of one reading, as a level. drift_dbm: the most that its zero is
    off until it is zeroed again. within_s: how long zeroing takes at most.
    """

    noise_dbm: float
    drift_dbm: float
    within_s: float

    @property
    def floor_dbm(self) -> float:
        """The larger of the two."""
        return max(self.noise_dbm, self.drift_dbm)


def zero_of(bench: Bench, name: str) -> Zero | None:
    """What a power meter of the bench reads of nothing, as it is stated; None for an analyzer.

    Without a stated drift of its zero, that is taken for as large as its noise.
    """
    meter = bench.instruments[name]
    if not isinstance(meter, PowerMeterInstrument):
        return None
    drift_dbm = meter.noise_dbm if meter.zero_drift_dbm is None else meter.zero_drift_dbm
    # Twice what it says, and what it needs to answer at all.
    return Zero(meter.noise_dbm, drift_dbm, 2.0 * meter.zero_time_s + meter.timeout_s)


def zeroed(meter: Any, zero: Zero, at_hz: float) -> Procedure[None]:
    """Zero the meter, RF being off. Raises NotZeroed where something arrives all the same, and
    InstrumentRefused where it still reads something afterwards."""
    yield (meter.set_centre_settled(at_hz),)
    before_dbm = yield from _read(meter)
    if before_dbm > zero.floor_dbm + NOT_ZEROED_ABOVE_DB:
        raise NotZeroed(
            f"reads {before_dbm:.1f} dBm with RF off, expected {zero.floor_dbm:.1f} dBm or little "
            "more: it was not zeroed, since that would hide what arrives",
            where=meter.name,
            advice="Look whether RF of the source is really off and whether something else "
            "transmits. If the meter itself is so far off, zero it by hand.",
        )
    yield (meter.zero(timeout_s=zero.within_s),)
    after_dbm = yield from _read(meter)
    if after_dbm > zero.floor_dbm + ZEROED_WITHIN_DB:
        raise InstrumentRefused(
            f"still reads {after_dbm:.1f} dBm after it was zeroed with RF off, expected "
            f"{zero.floor_dbm:.1f} dBm or little more",
            where=meter.name,
            advice="Let it warm up, and look at `noise:` and `zero_drift:` in the bench file.",
        )


def _read(meter: Any) -> Procedure[float]:
    """Mean size of some readings, dBm."""
    found = np.empty((READINGS, 1))
    for index in range(READINGS):
        (found[index, 0],) = yield (meter.trigger_point(),)
    return float(power_mean_dbm(found)[0])
