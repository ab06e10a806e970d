"""Zeroing a power meter with RF off, and checking that it worked.

The caller has asked every source whether it is off. If a source radiates although it reports "off",
zeroing would remove its signal together with the meter's offset, and hide it from then on. So the
meter is read first, and is not zeroed if it reads too much.
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
"""How far above its noise a meter may read before it is zeroed, dB. A hundred times its noise is
more than its offset drifts in a day, and less than the signal of a source (common practice, no
source)."""

ZEROED_WITHIN_DB = 6.0
"""How far above its noise, or above the drift of its zero, a meter may read after zeroing, dB. The
mean size of four readings lies within that in all but one of a million cases (normal law,
arithmetic)."""


class NotZeroed(InstrumentRefused):
    """A power meter was not zeroed, since it receives a signal with RF off."""


@dataclass(frozen=True, slots=True)
class Zero:
    """What a power meter may read without a signal.

    noise_dbm: standard deviation of one reading, as a level. drift_dbm: largest error of its zero
    until it is zeroed again. within_s: the longest time that zeroing takes.
    """

    noise_dbm: float
    drift_dbm: float
    within_s: float

    @property
    def floor_dbm(self) -> float:
        """The larger of noise and drift, dBm."""
        return max(self.noise_dbm, self.drift_dbm)


def zero_of(bench: Bench, name: str) -> Zero | None:
    """The stated noise and drift of a power meter of the bench; None for an analyzer.

    If the drift of its zero is not stated, it is assumed to be as large as its noise.
    """
    meter = bench.instruments[name]
    if not isinstance(meter, PowerMeterInstrument):
        return None
    drift_dbm = meter.noise_dbm if meter.zero_drift_dbm is None else meter.zero_drift_dbm
    # Twice the stated time, and the time for an answer in addition.
    return Zero(meter.noise_dbm, drift_dbm, 2.0 * meter.zero_time_s + meter.timeout_s)


def zeroed(meter: Any, zero: Zero, at_hz: float) -> Procedure[None]:
    """Zero the meter while RF is off.

    Raises NotZeroed if it receives a signal all the same, and InstrumentRefused if it still reads
    something afterwards.
    """
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
