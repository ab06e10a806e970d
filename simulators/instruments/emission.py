"""What the source emits over simulated time, and how much of it arrives at the analyzer.

Until its next change a source emits nothing, one frequency, or a free-running step sweep. All these
intervals are kept, so that an analyzer can look up afterwards what arrived during its sweep.
"""

from __future__ import annotations

from collections import deque
from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from simulators.world import World
from simulators.world.world import LEAST_TRANSFER

FloatArray = NDArray[np.float64]

SILENCE_DBM = -300.0
"""Level that stands for no signal at all, dBm."""

_CHUNK_S = 0.01
_MOST_CHUNKS = 64


@dataclass(frozen=True)
class Emission:
    """What leaves the source from `start_s` on.

    Attributes:
        level_dbm: the level that was set; None while RF is off.
        steps_hz: the frequencies of the step sweep, shape (n,); one element for a fixed one.
        dwell_s: time on each step.
        origin_s: when the sweep began with its first step.
        moved_s: of a list, when each step after the first was reached, so far; it grows. None for
            a step sweep by the clock.
    """

    start_s: float
    level_dbm: float | None
    steps_hz: FloatArray
    dwell_s: float = 1.0
    origin_s: float = 0.0
    moved_s: list[float] | None = None

    @property
    def frequency_hz(self) -> float:
        """The frequency, or the first of a step sweep."""
        return float(self.steps_hz[0])

    @property
    def is_moving(self) -> bool:
        """Whether its frequency changes by itself."""
        return self.level_dbm is not None and self.steps_hz.size > 1

    def frequency_at(self, times_s: FloatArray) -> FloatArray:
        """Frequency at each time, Hz, shape of `times_s`."""
        if self.steps_hz.size == 1:
            return np.full(times_s.shape, self.steps_hz[0])
        if self.moved_s is not None:
            reached = np.searchsorted(self.moved_s, times_s, side="right")
            return np.asarray(self.steps_hz[np.minimum(reached, self.steps_hz.size - 1)])
        index = np.floor((times_s - self.origin_s) / self.dwell_s + 1e-9).astype(np.int64)
        return np.asarray(self.steps_hz[index % self.steps_hz.size])


OFF = Emission(0.0, None, np.zeros(1))


class Feed:
    """The way from the source through the world to every analyzer input."""

    def __init__(self, world: World) -> None:
        self.world = world
        self.listeners: list[Callable[[float], None]] = []
        """Called with the highest level at the analyzer's input, dBm, after every change."""
        self.readers: list[Callable[[float], None]] = []
        """Called before a time at which a reading is likely, so that it takes no longer then."""
        self._emissions: deque[Emission] = deque([OFF], maxlen=16384)
        # The level of a fixed frequency is computed once, at its start, and used again by a
        # reading that follows at once: a stepped sweep needs it twice.
        self._known: tuple[Emission, float, float] | None = None
        self._ambient: list[tuple[float, float]] | None = None
        self.changes = 0
        """Counts every change of the signal that arrives."""

    def arriving_dbm(
        self, frequency_hz: FloatArray, level_dbm: float, elapsed_s: float
    ) -> FloatArray:
        """Level at the analyzer's input for a set source level, dBm, shape (n,)."""
        leaving_dbm = self.world.source_level_dbm(frequency_hz, level_dbm, elapsed_s)
        return np.asarray(leaving_dbm + self._transfer_db(frequency_hz, elapsed_s))

    def _transfer_db(self, frequency_hz: FloatArray, elapsed_s: float) -> FloatArray:
        transfer = np.abs(self.world.transfer(frequency_hz, elapsed_s))
        return np.asarray(20 * np.log10(np.maximum(transfer, LEAST_TRANSFER)))

    def harmonics(self, emission: Emission, at_s: float) -> list[tuple[float, float]]:
        """The source's harmonics at the analyzer's input: frequency in Hz, level in dBm."""
        if emission.level_dbm is None:
            return []
        frequency_hz = emission.frequency_hz
        leaving = self.world.source_level_dbm(emission.steps_hz, emission.level_dbm, at_s)
        tones = np.array(self.world.harmonics(frequency_hz, float(leaving[0])))
        arriving_dbm = tones[:, 1] + self._transfer_db(tones[:, 0], at_s)
        return list(zip(tones[:, 0].tolist(), arriving_dbm.tolist(), strict=True))

    def ambient(self, low_hz: float, high_hz: float) -> list[tuple[float, float]]:
        """Outside transmitters at the analyzer's input: frequency in Hz, level in dBm."""
        if self._ambient is None:
            self._ambient = list(self.world.ambient(50e9, 100e9))
        return [tone for tone in self._ambient if low_hz <= tone[0] <= high_hz]

    def change(self, emission: Emission, now_s: float) -> None:
        """The source emits something else from `emission.start_s` on (now or a little later)."""
        while len(self._emissions) > 1 and self._emissions[-1].start_s >= emission.start_s:
            self._emissions.pop()
        self._emissions.append(emission)
        self.changes += 1
        self._announce(emission, now_s)

    def world_changed(self, now_s: float) -> None:
        """A switch, a cable, an antenna or the lid has moved: the same emission arrives in another
        way."""
        self._known = None
        self._ambient = None
        self.changes += 1
        self._announce(self._emissions[-1], now_s)

    def _announce(self, emission: Emission, now_s: float) -> None:
        highest = SILENCE_DBM
        if emission.level_dbm is not None and emission.steps_hz.size == 1:
            # A reading follows once it has settled, so the level is that of then.
            highest = self._level_then(emission, max(now_s, emission.start_s))
        elif emission.level_dbm is not None:
            levels = self.arriving_dbm(emission.steps_hz, emission.level_dbm, now_s)
            highest = float(levels.max())
        for listener in self.listeners:
            listener(highest)

    def during(self, start_s: float, end_s: float) -> list[tuple[float, Emission]]:
        """Emissions between two times, with the seconds each of them lasted in between."""
        found: list[tuple[float, Emission]] = []
        until_s = end_s
        for emission in reversed(self._emissions):
            begins_s = max(start_s, emission.start_s)
            if begins_s < until_s:
                found.append((until_s - begins_s, emission))
                until_s = begins_s
            if emission.start_s <= start_s:
                break
        if not found:
            found.append((end_s - start_s, self._emissions[0]))
        return found[::-1]

    def fixed_level_dbm(self, emission: Emission, at_s: float) -> float:
        """Level at the analyzer's input for an emission of one frequency."""
        if emission.level_dbm is None:
            return SILENCE_DBM
        known = self._known
        # Within 3 ms a person walking before an open lid moves by far less than a wavelength.
        if known is not None and known[0] is emission and abs(at_s - known[1]) < 0.003:
            return known[2]
        return self._level_then(emission, at_s)

    def prepare(self, at_s: float) -> None:
        """Work out the level that a reading of one frequency will find at a time."""
        emission = self._emissions[-1]
        if emission.start_s <= at_s and not emission.is_moving:
            self.fixed_level_dbm(emission, at_s)

    def _level_then(self, emission: Emission, at_s: float) -> float:
        """Work out the level of an emission of one frequency, and keep it."""
        assert emission.level_dbm is not None
        level = self.world.arriving_at_dbm(emission.frequency_hz, emission.level_dbm, at_s)
        self._known = (emission, at_s, level)
        return level

    def at_times(self, times_s: FloatArray) -> tuple[FloatArray, FloatArray]:
        """Frequency in Hz and level at the analyzer's input in dBm at each time.

        Args:
            times_s: rising, shape (n,).
        """
        frequency = np.zeros(times_s.shape)
        level = np.full(times_s.shape, SILENCE_DBM)
        spans = self.during(float(times_s[0]), float(times_s[-1]) + 1e-12)
        starts = np.array([max(emission.start_s, 0.0) for _, emission in spans])
        which = np.clip(np.searchsorted(starts, times_s, side="right") - 1, 0, len(spans) - 1)
        for index, (_, emission) in enumerate(spans):
            chosen = which == index
            if emission.level_dbm is None or not chosen.any():
                continue
            frequency[chosen] = emission.frequency_at(times_s[chosen])
            level[chosen] = self._in_chunks(frequency[chosen], emission.level_dbm, times_s[chosen])
        return frequency, level

    def _in_chunks(
        self, frequency_hz: FloatArray, level_dbm: float, times_s: FloatArray
    ) -> FloatArray:
        """Arriving level with the world's own time followed in steps of about 10 ms."""
        length_s = float(times_s[-1] - times_s[0])
        pieces = int(min(_MOST_CHUNKS, max(1, length_s / _CHUNK_S), times_s.size))
        parts = zip(
            np.array_split(frequency_hz, pieces), np.array_split(times_s, pieces), strict=True
        )
        return np.concatenate(
            [self.arriving_dbm(part, level_dbm, float(when.mean())) for part, when in parts]
        )
