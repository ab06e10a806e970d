"""Finding the dips of a trace, and telling them from the leak's ripple and from noise.

The phase of the leak against the antenna's reflection changes with frequency. So the trace ripples
even if the antenna's reflection is constant: by 2 (d + S gamma^2) from peak to dip, with d the
directivity and S the source match. Near a full reflection that ripple looks like a resonance in
1/(1 - gamma^2), which magnifies it. Only a trace that rises by more than that on both sides is
taken to have a dip.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass
from heapq import heappop, heappush
from itertools import pairwise

import numpy as np

from benchd.reduce.budget_inputs import ReflectionKnowledge
from benchd.reduce.decibels import NEPER_DB, gamma_from_return_loss
from benchd.reduce.gamma_squared import Prepared
from benchd.reduce.leak import COUPLER_S
from benchd.reduce.reflectometer import baseline_leftover_db
from benchd.traces import FloatArray

LOCALLY_LARGER = 1.5
"""Factor by which a sum of a few reflections exceeds its root mean square at one frequency in ten
(Rayleigh's law: exp(-1.5^2) = 0.105, from memory). A peak and a dip that are both so large, and of
opposite phase, occur less than once in a hundred."""

LEAST_RISE = 0.02
"""Relative rise of 1/(1 - gamma^2) that is required on both sides of a dip in any case: 2 %."""

LEAST_INNER_RISE = 0.002
"""Relative rise of 1/(1 - gamma^2) that is required between two dips. It is smaller, since between
two dips of 20 dB each there is no more."""

NOISE_SIGMAS = 5.0


@dataclass(frozen=True)
class Valley:
    """A part of a trace with one dip, by indices of its points.

    lowest: of the smoothed trace. first, last: where its neighbours begin, or the sweep ends.
    stands: it rises on (its left, its right) by more than ripple and noise can make.
    minima: lowest points that only noise, not ripple, was excluded for; `lowest` among them.
    """

    lowest: int
    first: int
    last: int
    stands: tuple[bool, bool]
    minima: tuple[int, ...]

    @property
    def is_dip(self) -> bool:
        """True where it rises on both sides."""
        return all(self.stands)


class Ripple:
    """How far a trace may rise from a dip because of leak and noise alone."""

    def __init__(self, data: Prepared, smoothed: FloatArray, known: ReflectionKnowledge) -> None:
        self._frequency_hz = data.frequency_hz
        self._squared = smoothed
        self.gamma = np.sqrt(np.maximum(smoothed, 0.0))
        # The smoothed trace has less noise than single points, so five of the points' standard
        # deviations are on the safe side.
        self._sd = data.sd
        line = known.line_delay_s
        self._longest_s = line.value * (2.0 if line.assumed else 1.1) + COUPLER_S
        self._leak = gamma_from_return_loss(known.directivity_db.value)
        self._match = gamma_from_return_loss(known.source_match_db.value)
        if known.tracking_db is None:
            left_db = baseline_leftover_db(self._leak, self._match, known.baseline)
            self._baseline = left_db / NEPER_DB
        else:
            self._baseline = 0.0
        if known.wall_gamma is not None:
            self._leak = math.hypot(self._leak, known.wall_gamma.value)

    @property
    def period_hz(self) -> float:
        """Distance of two ripples of the longest line, Hz: its phase turns by 4 pi T f."""
        return 1.0 / (2.0 * self._longest_s)

    def size(self, gamma: float) -> float:
        """How far the leak moves a reading of that magnitude, linear, effective."""
        terms = (self._leak, self._match * gamma**2, self._baseline * gamma)
        return math.sqrt(sum(term**2 for term in terms))

    def stands(self, dip: int, top: int, least: float = LEAST_INNER_RISE) -> bool:
        """True where the rise from a dip to a top (indices) is more than ripple and noise.

        least: what 1/(1 - gamma^2) must rise by in any case.
        """
        low, high = float(self.gamma[dip]), float(self.gamma[top])
        turn = 4.0 * math.pi * self._longest_s * self.apart_hz(dip, top)
        swing = math.sin(min(turn, math.pi) / 2.0)
        ripple = LOCALLY_LARGER * swing * (self.size(low) + self.size(high))
        return high - low > ripple and self.above_noise(dip, top, least)

    def above_noise(self, dip: int, top: int, least: float = LEAST_INNER_RISE) -> bool:
        """True where the rise is more than noise, and than the least that is wanted."""
        low, high = float(self._squared[dip]), float(self._squared[top])
        noise = NOISE_SIGMAS * float(self._sd[dip])
        return high - low > max(noise, least * (1.0 - high))

    def apart_hz(self, one: int, other: int) -> float:
        """Distance of two points, Hz."""
        return abs(float(self._frequency_hz[one] - self._frequency_hz[other]))


def valleys(ripple: Ripple) -> list[Valley]:
    """The separate valleys of a trace, deepest first.

    At first every local minimum that is clear of noise is a valley. Two neighbours are joined if
    the top between them may be ripple, until no such pair is left.
    """
    gamma = ripple.gamma
    minima = _minima(gamma)
    tops = [_highest(gamma, a, b) for a, b in pairwise(minima)]
    groups, tops = _merged(minima, tops, gamma, ripple.above_noise)
    groups, tops = _merged([group[0] for group in groups], tops, gamma, ripple.stands)
    found = []
    end = gamma.size - 1
    for group, (first, last) in zip(groups, pairwise([0, *tops, end]), strict=True):
        at = group[0]
        # A top between two valleys has parted them already.
        stands = (
            first > 0 or ripple.stands(at, _highest(gamma, first, at), LEAST_RISE),
            last < end or ripple.stands(at, _highest(gamma, at, last), LEAST_RISE),
        )
        found.append(Valley(at, first, last, stands, tuple(sorted(group))))
    return sorted(found, key=lambda one: float(gamma[one.lowest]))


def _minima(gamma: FloatArray) -> list[int]:
    """Local minima, the ends of the trace included; of a flat one its first point."""
    falls = np.concatenate([[True], gamma[1:] < gamma[:-1]])
    rises = np.concatenate([gamma[:-1] <= gamma[1:], [True]])
    return [int(at) for at in np.flatnonzero(falls & rises)]


def _highest(gamma: FloatArray, first: int, last: int) -> int:
    """The highest point from one index to another, both included."""
    return first + int(np.argmax(gamma[first : last + 1]))


def _merged(
    minima: list[int], tops: list[int], gamma: FloatArray, parts: Callable[[int, int], bool]
) -> tuple[list[list[int]], list[int]]:
    """Neighbouring groups joined until every top between two of them parts them, and those tops.

    minima, tops: indices in order; each minimum is a group at first, with a top between two.
    Returns the groups in order, the lowest of each first. parts(dip, top): whether the rise counts.
    The pair with the least rise from its shallower dip is joined first (persistence).
    """
    # A group is known by the number of its first minimum; the top left of it is one less.
    groups = {number: [at] for number, at in enumerate(minima)}
    left = [number - 1 for number in range(len(tops))]
    right = [number + 1 for number in range(len(tops))]
    now = [0] * len(tops)  # how often the neighbourhood of a top has changed
    weak: list[tuple[float, int, int]] = []

    def look(number: int) -> None:
        now[number] += 1
        around = groups[left[number] + 1][0], groups[number + 1][0]
        shallow = max(around, key=lambda at: float(gamma[at]))
        if not parts(shallow, tops[number]):
            rise = float(gamma[tops[number]] - gamma[shallow])
            heappush(weak, (rise, number, now[number]))

    for number in range(len(tops)):
        look(number)
    while weak:
        _, number, seen = heappop(weak)
        if seen != now[number]:
            continue
        before, after = left[number], right[number]
        one, other = groups[before + 1], groups.pop(number + 1)
        deeper = other if gamma[other[0]] < gamma[one[0]] else one
        groups[before + 1] = deeper + (one if deeper is other else other)
        now[number] += 1
        if before >= 0:
            right[before] = after
            look(before)
        if after < len(tops):
            left[after] = before
            look(after)
    return list(groups.values()), [tops[number - 1] for number in groups if number > 0]
