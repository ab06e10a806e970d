"""Which frequencies a refining sweep reads next, from what it has read so far. Pure maths.

A refining sweep chooses among the frequencies of a fixed grid, so that each of its readings can be
compared with a baseline that was read at just that frequency. It begins with every so-many-th
frequency of the grid. Then it goes on in rounds:

1. Nothing may be overlooked. Wherever the readings are not what their neighbours let expect, the
   gaps on both sides are halved.
2. Then the point is next by which the wanted numbers get surer, most for its time
   (`benchd.reduce.point_gains`).

What a reading is compared by is the absorbed share 1 - gamma^2. In a dip it goes from 0 to 1, and
nearly all of that above a return loss of 10 dB, so that a deep and narrow bottom does not draw all
points to itself.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from benchd.reduce.point_gains import Aim, Aims, Seen, aims_of
from benchd.traces import BoolArray, FloatArray

REACH_STEPS = 8
"""Without a stated reach, the first readings lie so many steps of the grid apart."""

QUARTER = 4
"""Without a stated bound, a sweep reads one in so many frequencies of its grid."""

LEAST_CHOSEN = 8
"""How many frequencies a sweep must at least be free to choose after its first readings."""

LEAST_FIRST = 5
"""How many first readings there must at least be."""

UNEXPECTED = 0.05
"""By how much an absorbed share may differ from the straight line between its neighbours.

A dip of 6 dB that absorbs 1 dB or more over the width of one gap absorbs 0.75 at its middle and
0.21 at its ends. Of any two readings one gap apart one then lies within, and differs from its line
by 0.087 or more (a single resonant circuit, arithmetic)."""

NOTHING_ABSORBED = 0.15
"""Where no more than this is absorbed, at a reading and at its neighbours, there is no part of a
dip of 1 dB (0.21) or more, only ripple."""

SIGMAS = 2.0
"""How many standard deviations of noise a reading may differ besides: few, since a reading too many
costs little, and one too few a dip."""

BATCH, BATCH_SHARE = 4, 50
"""How many frequencies are chosen at once in the second part: few, since each reading may change
what is best next; of a sweep of many points a fiftieth, so that the bench does not wait for it."""


@dataclass(frozen=True)
class Bounds:
    """What a refining sweep may cost.

    to_hz: half-width (95 %) that is wanted of resonance and band edges, as far as noise and the
        spacing of points make it.
    at_most_points: first readings included. at_most_s: None for any time.
    """

    to_hz: float
    at_most_points: int
    at_most_s: float | None = None


@dataclass(frozen=True)
class Chosen:
    """What to do next.

    at: indices on the grid, rising; empty where the sweep is done, which `because` then explains.
    half_width_hz: the largest of the aims' half-widths by now; None where there is nothing to aim
        at. is_bounded: it ended because of a bound, with something left undone.
    """

    at: tuple[int, ...]
    because: str = ""
    half_width_hz: float | None = None
    is_bounded: bool = False


def first_points(grid_hz: FloatArray, reach_hz: float, always_hz: tuple[float, ...]) -> list[int]:
    """Indices of the first readings: at most `reach_hz` apart, and on both sides of each frequency
    at which a value is asked for."""
    last = grid_hz.size - 1
    gaps = gaps_of(grid_hz.size, float(grid_hz[-1] - grid_hz[0]), reach_hz)
    found = {round(place) for place in np.linspace(0, last, gaps + 1)}
    for wanted_hz in always_hz:
        right = int(np.clip(np.searchsorted(grid_hz, wanted_hz), 0, last))
        if abs(grid_hz[right] - wanted_hz) > 1e-9 * wanted_hz:
            found.add(max(0, right - 1))
        found.add(right)
    return sorted(found)


def gaps_of(points: int, span_hz: float, reach_hz: float) -> int:
    """Into how many gaps the first readings part a sweep, so that none is wider than the reach.

    A gap is a whole number of steps of the grid, so it is rounded down to one.
    """
    last = points - 1
    # Frequencies are whole hertz, so that steps differ by one: a thousandth of a step is forgiven.
    steps = max(1, int(reach_hz / (span_hz / last) + 1e-3))
    return -(-last // steps)


def next_points(
    grid_hz: FloatArray,
    taken: BoolArray,
    ratio_db: FloatArray,
    sd_db: FloatArray,
    cost_s: FloatArray,
    aims: Aims,
    bounds: Bounds,
    elapsed_s: float = 0.0,
) -> Chosen:
    """The next frequencies to read, or that the sweep is done and why.

    grid_hz: shape (n,), rising. taken: shape (n,), what was read, both ends of the grid included.
    ratio_db, sd_db: shape (n,), minus the return loss and its standard deviation by noise, dB;
        they count only where something was read. cost_s: what a reading costs, s.
    elapsed_s: what the sweep has taken so far.
    """
    seen = Seen.of(grid_hz, taken, ratio_db, sd_db)
    left = bounds.at_most_points - int(np.count_nonzero(taken))
    time_s = np.inf if bounds.at_most_s is None else bounds.at_most_s - elapsed_s
    doubtful = unexpected(seen)
    wanted = aims_of(seen, aims)
    widest_hz = max((aim.half_width_hz for aim in wanted), default=None)
    if doubtful:
        batch = doubtful[: max(left, 0)]
        why = "something may be hidden between its readings"
    else:
        open_aims = [aim for aim in wanted if aim.half_width_hz > bounds.to_hz]
        if not open_aims:
            because = (
                "resonance and edges are as sure as asked for" if wanted else "there is no dip"
            )
            return Chosen((), because, widest_hz)
        most = min(max(left, 0), max(BATCH, bounds.at_most_points // BATCH_SHARE))
        batch = _best(open_aims, cost_s, bounds.to_hz, most)
        why = "resonance or edges are less sure than asked for"
        if not batch and left > 0:
            return Chosen((), "no other frequency of its grid would help", widest_hz, True)
    within = _within(batch, cost_s, time_s)
    if not within:
        bound = "at_most_points" if left <= 0 else "at_most_time"
        return Chosen((), f"{bound} is reached, and {why}", widest_hz, True)
    return Chosen(tuple(sorted(within)), half_width_hz=widest_hz)


def _within(batch: list[int], cost_s: FloatArray, time_s: float) -> list[int]:
    """The first of them that the time suffices for."""
    spent_s = np.cumsum(cost_s[batch])
    return [at for at, so_far_s in zip(batch, spent_s, strict=True) if so_far_s <= time_s]


def unexpected(seen: Seen) -> list[int]:
    """Indices on the grid in gaps beside readings that their neighbours did not let expect, the
    most unexpected first."""
    absorbed, sd, at, f = 1.0 - seen.squared, seen.sd, seen.at, seen.f
    if at.size < 3:
        return []
    middle = np.arange(at.size)
    # At an end the line through the two inner neighbours is drawn on, so it errs more there.
    near, far = middle - 1, middle + 1
    near[[0, -1]], far[[0, -1]] = (1, at.size - 2), (2, at.size - 3)
    allowed = np.full(at.size, UNEXPECTED)
    allowed[[0, -1]] *= 2.0
    share = (f - f[near]) / (f[far] - f[near])
    line = absorbed[near] + share * (absorbed[far] - absorbed[near])
    noise = np.sqrt(sd**2 + ((1.0 - share) * sd[near]) ** 2 + (share * sd[far]) ** 2)
    over = np.abs(absorbed - line) - allowed
    most = np.maximum(absorbed, np.maximum(absorbed[near], absorbed[far]))
    doubtful = np.flatnonzero((over > SIGMAS * noise) & (most > NOTHING_ABSORBED))
    scores: dict[int, float] = {}
    for one in doubtful.tolist():
        for left in range(max(0, one - 1), min(one, at.size - 2) + 1):
            between = (int(at[left]) + int(at[left + 1])) // 2
            if between > at[left]:
                scores[between] = max(float(over[one]), scores.get(between, 0.0))
    return sorted(scores, key=lambda one: (-scores[one], one))


def _best(aims: list[Aim], cost_s: FloatArray, to_hz: float, most: int) -> list[int]:
    """At most so many frequencies by which the aims get surer, most for their time: one after the
    other, each as if those before it had been read."""
    found: list[int] = []
    while len(found) < most:
        gains = np.zeros(cost_s.size)
        for aim in aims:
            gains += aim.gains(found) / to_hz**2
        gains[found] = 0.0
        best = int(np.argmax(gains / cost_s))
        if gains[best] <= 0.0:
            break
        found.append(best)
    return found
