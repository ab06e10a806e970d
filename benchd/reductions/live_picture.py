"""The picture that a live look shows: each sweep over its baselines, and how the last ones differ.

The engine does no maths of its own, so it stands here. No interval is worked out while a person
adjusts: that is done when they keep a sweep, by the reductions that every capture goes through.
"""

from __future__ import annotations

from collections import deque
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Literal, get_args

import numpy as np

from benchd.reduce.last_sweeps import Spread, lowest_point, spread_of
from benchd.reduce.normalise import normalised
from benchd.traces import FloatArray, Form, Trace

Shown = Literal["return-loss", "over-thru", "level"]
"""What a live look shows: return loss over open and short (dB), a level over a stored thru (dB), or
the plain level at the analyzer (dBm)."""

SHOWN: tuple[Shown, ...] = get_args(Shown)
LAST_SWEEPS = 10
"""Number of sweeps whose spread is shown: two seconds of a fast bench, in which a person who walks
past has come and gone."""


@dataclass(frozen=True, eq=False)
class Frame:
    """One sweep as it is shown.

    values_db: shape (n,), in the unit of `Shown`; a return loss is positive.
    spread: of the last sweeps, this one included; None for the first sweep. sweeps: how many.
    peak_hz, peak_db: where the return loss, or the level, is greatest.
    """

    values_db: FloatArray
    spread: Spread | None
    sweeps: int
    peak_hz: float
    peak_db: float


class LivePicture:
    """Makes frames of sweeps. Used by one thread.

    baselines: levels of open and short, of a thru, or none for the plain level (`Shown`).
    """

    def __init__(self, shown: Shown, baselines: Sequence[Trace]) -> None:
        self._shown = shown
        self._baselines = list(baselines)
        self._last: deque[FloatArray] = deque(maxlen=LAST_SWEEPS)

    def frame(self, frequency_hz: FloatArray, level_dbm: FloatArray) -> Frame:
        """The next sweep, shape (n,), Hz and dBm. Raises NormalisationRefused where the baselines
        do not reach over it."""
        level = Trace("level", Form.LEVEL_DBM, frequency_hz, level_dbm)
        ratio_db = level.decibels
        if self._shown != "level":
            ratio_db = normalised(level, self._baselines, other_grid=True).decibels
        self._last.append(ratio_db)
        spread = spread_of(np.stack(self._last)) if len(self._last) > 1 else None
        returns = self._shown == "return-loss"
        # The greatest return loss is the lowest ratio; the greatest level the lowest of its mirror.
        peak_hz, low_db = lowest_point(frequency_hz, ratio_db if returns else -ratio_db)
        return Frame(-ratio_db if returns else ratio_db, spread, len(self._last), peak_hz, -low_db)
