"""How much the walls of the box scatter a level, and a gain, from place to place in the box.

Both are standard deviations in dB. They are two quantities, and one never stands for the other:
- The level of one path changes as its antennas move in the box.
- The difference of two antennas at one place changes by another amount. For two like antennas it
  hardly changes, since the same walls act on both. For unlike ones it changes by about as much as
  the path of the less directive one.
So each value is used only for antennas like those that it was found with.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Iterator
from dataclasses import dataclass, field, replace

from benchd.bench import Bench, Box
from benchd.errors import UnknownId
from benchd.known.archive import Archive
from benchd.known.qualification_results import (
    BOX_SPREAD,
    PATH_SPREAD,
    MeasuredCurve,
    newest_curve,
)
from benchd.reduce.budget_inputs import GainKnowledge, Known
from benchd.reduce.decibels import NEPER_DB
from benchd.results import ResultRecord
from benchd.traces import Capture, Role

PairOf = tuple[str | None, str | None]

ALIKE = 0.1
"""Two antennas count as alike if their design frequencies and their largest dimensions differ by
less than this fraction. Dipoles of two revisions are alike, a dipole and a Yagi are not (common
practice, no source)."""

OTHER_ANTENNAS = "found with other antennas"
ONE_MOVED = "one antenna moved"
BY_GAIN = "found with other antennas, scaled by their gain"
FROM_PATH = "from the spread of one path"
FROM_REFLECTIVITY = "from the reflectivity"
FROM_DIFFERENCE = "from a difference of two paths"


@dataclass(frozen=True)
class BoxSpreads:
    """The spreads that fit two antennas on one bench, looked up once.

    first, second: for a difference the antenna under test and the reference; for a path the two
        ends of it. test: the capture to be reduced.
    """

    bench: Bench
    archive: Archive | None
    test: Capture
    first: str | None
    second: str | None
    _curves: dict[tuple[str, str], MeasuredCurve | None] = field(default_factory=dict, repr=False)

    def difference(self, at_hz: float) -> Known:
        """Standard deviation (dB) of a gain at one place, found by comparing two antennas."""
        found = self._measured(BOX_SPREAD, at_hz, self._of_this_difference)
        if found is not None:
            return found
        box = self.bench.box
        pair = None if box is None else box.gain_spread_of
        if pair is None:
            moved = self._measured(BOX_SPREAD, at_hz, self._of_one_moved)
            if moved is not None:
                return replace(moved, how=ONE_MOVED)
        if box is not None and box.gain_spread_db is not None and self._fits(pair):
            return _stated(box.gain_spread_db.at(at_hz), box.gain_spread_positions)
        path = self._path_known(at_hz)
        if path is not None:
            return replace(path, assumed=True, how=FROM_PATH)
        if box is not None and box.reflectivity_db is not None:
            # The two antennas meet the walls with independent phases: their variances add.
            return replace(_from_reflectivity(box, at_hz, math.sqrt(2.0)), how="")
        return GainKnowledge().box_sd_db

    def path(self, at_hz: float) -> Known:
        """Standard deviation (dB) of the level of one path over places of both its ends."""
        found = self._path_known(at_hz)
        if found is not None:
            return found
        box = self.bench.box
        if box is not None and box.reflectivity_db is not None:
            return replace(_from_reflectivity(box, at_hz, 1.0), assumed=True)
        default = GainKnowledge().path_sd_db
        if box is not None and box.gain_spread_db is not None:
            # If two paths scatter independently, their difference scatters by sqrt(2) times as
            # much as one. So one path scatters by at least the difference over sqrt(2), and by
            # much more where the two antennas are alike and scatter together.
            least_db = box.gain_spread_db.at(at_hz) / math.sqrt(2.0)
            if least_db > default.value:
                return replace(default, value=least_db, how=FROM_DIFFERENCE)
        return default

    def _path_known(self, at_hz: float) -> Known | None:
        """The value measured with like antennas; else the stated one; else one measured with less
        directive antennas, which is an upper bound."""
        found = self._measured(PATH_SPREAD, at_hz, self._of_this_path)
        if found is None:
            found = self._stated_path(at_hz)
        if found is None:
            found = self._measured(PATH_SPREAD, at_hz, self._of_smaller)
            found = found and replace(found, assumed=True, how=OTHER_ANTENNAS)
        return found

    def _measured(
        self, quantity: str, at_hz: float, suits: Callable[[ResultRecord], bool]
    ) -> Known | None:
        """The value that a qualification of this bench measured; None without a fitting one."""
        curve = self._curve(quantity, suits)
        return curve.at(at_hz) if curve is not None and curve.covers(at_hz, at_hz) else None

    def _curve(self, quantity: str, suits: Callable[[ResultRecord], bool]) -> MeasuredCurve | None:
        key = (quantity, suits.__name__)
        if key not in self._curves:
            self._curves[key] = newest_curve(
                self.archive, quantity, self.test, part="box", suits=suits
            )
        return self._curves[key]

    def _of_this_difference(self, record: ResultRecord) -> bool:
        found = self._antennas(record)
        return Role.REFERENCE in found and self._alike_pair(
            (found.get(Role.TEST), found[Role.REFERENCE])
        )

    def _of_one_moved(self, record: ResultRecord) -> bool:
        """Whether the result comes from `reflectivity`, done with the less directive antenna.

        The path of the less directive antenna scatters more.
        """
        found = self._antennas(record)
        if Role.REFERENCE in found or Role.TEST not in found:
            return False
        sizes = [self._size_m(one) for one in (self.first, self.second) if one is not None]
        return self._size_m(found[Role.TEST]) <= (1.0 + ALIKE) * min(sizes, default=math.inf)

    def _of_this_path(self, record: ResultRecord) -> bool:
        return self._alike_pair(self._ends(record))

    def _of_smaller(self, record: ResultRecord) -> bool:
        return self._size_m(*self._ends(record)) <= self._size_m(self.first, self.second)

    def _ends(self, record: ResultRecord) -> PairOf:
        """The antennas at the two ends of the path that was qualified."""
        return self._antennas(record).get(Role.TEST), self._near_end(record)

    def _near_end(self, record: ResultRecord) -> str | None:
        for capture in self._captures(record):
            route = self.bench.routes.get(capture.route)
            return None if route is None else route.range_antenna
        return None

    def _antennas(self, record: ResultRecord) -> dict[Role, str]:
        """Role -> antenna, of the captures that a result came from."""
        found: dict[Role, str] = {}
        for capture in self._captures(record):
            if capture.antenna is not None:
                found.setdefault(capture.role, capture.antenna)
            if Role.TEST in found and Role.REFERENCE in found:
                break
        return found

    def _captures(self, record: ResultRecord) -> Iterator[Capture]:
        if self.archive is None:
            return
        for capture_id in record.result.captures:
            try:
                yield self.archive.capture(capture_id)
            except UnknownId:
                continue

    def _stated_path(self, at_hz: float) -> Known | None:
        """`path_spread` of the bench file.

        A value that was found with less directive antennas is an upper bound for these.
        """
        box = self.bench.box
        if box is None or box.path_spread_db is None:
            return None
        stated = _stated(box.path_spread_db.at(at_hz), box.path_spread_positions)
        if self._fits(box.path_spread_of):
            return stated
        assert box.path_spread_of is not None
        if self._size_m(*box.path_spread_of) > self._size_m(self.first, self.second):
            return None
        return replace(stated, assumed=True, how=OTHER_ANTENNAS)

    def _fits(self, pair: list[str] | None) -> bool:
        """Whether a stated value applies. One that names no antennas applies to any."""
        return pair is None or self._alike_pair((pair[0], pair[1]))

    def _alike_pair(self, pair: PairOf) -> bool:
        one, other = pair
        return (self._alike(one, self.first) and self._alike(other, self.second)) or (
            self._alike(one, self.second) and self._alike(other, self.first)
        )

    def _alike(self, one: str | None, other: str | None) -> bool:
        return alike(self.bench, one, other)

    def _size_m(self, *names: str | None) -> float:
        known = [self.bench.antennas[one] for one in names if one in self.bench.antennas]
        return max((one.largest_dimension_m for one in known), default=0.0)


def alike(bench: Bench, one: str | None, other: str | None) -> bool:
    """Whether two antennas are of one kind: of one name, or nearly equal in design frequency and
    size (see `ALIKE`)."""
    if one is None or other is None or one == other:
        return one == other
    if one not in bench.antennas or other not in bench.antennas:
        return False
    a, b = bench.antennas[one], bench.antennas[other]
    return _near(a.design_frequency_hz, b.design_frequency_hz) and _near(
        a.largest_dimension_m, b.largest_dimension_m
    )


def kinds(bench: Bench, names: list[str]) -> dict[str, str]:
    """Map each name to the first of the names that it is like, so that a kind has one name."""
    return {name: next(one for one in names if alike(bench, one, name)) for name in names}


def scaled_by_gain(spread: Known, more_db: float) -> Known:
    """A path's spread over places (dB), carried over to antennas of another gain.

    more_db: by how much the gain of these antennas exceeds that of those the spread was found with.
    Waves from all sides bring the same power to any antenna. Compared with the direct wave they
    become weaker as the gain rises, and stronger where an antenna hardly radiates ahead
    (more_db < 0). One of the six walls is an exception: that behind the near antenna reflects in
    the direction of the direct wave, so its share stays (a rough share, no source). Check: in 60
    simulated random boxes with a Yagi at one end, paths with 8 dB more gain scattered by 0.53 of
    what they did with dipoles; this formula gives 0.55.
    """
    if more_db == 0.0 or spread.how != OTHER_ANTENNAS:
        return spread
    share = math.sqrt(1.0 / 6.0 + 5.0 / 6.0 * 10.0 ** (-more_db / 10.0))
    return replace(spread, value=spread.value * share, how=BY_GAIN)


def _near(one: float, other: float) -> bool:
    return abs(one - other) <= ALIKE * max(one, other)


def _stated(value_db: float, positions: int | None) -> Known:
    return Known(value_db, degrees_of_freedom=math.inf if positions is None else positions - 1.0)


def _from_reflectivity(box: Box, at_hz: float, places: float) -> Known:
    """The spread that follows from the stated reflectivity of the walls.

    A reflected wave of relative amplitude p and phase a changes a level by 20 lg|1 + p e^(ja)|. For
    small p the standard deviation of that over all phases is 8.686 p/sqrt(2) dB.
    """
    assert box.reflectivity_db is not None
    ray = 10.0 ** (box.reflectivity_db.at(at_hz) / 20.0)
    return Known(NEPER_DB * ray / math.sqrt(2.0) * places, how=FROM_REFLECTIVITY)
