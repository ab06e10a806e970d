"""The inputs of a gain's uncertainty: from bench file, qualification and the captures' noise."""

from __future__ import annotations

import hashlib
import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace

import numpy as np

from benchd.bench import (
    Antenna,
    Bench,
    PassiveFixture,
    Route,
    SourceInstrument,
    SwitchInstrument,
)
from benchd.known.archive import Archive
from benchd.known.box_spreads import BoxSpreads
from benchd.known.carrier_levels import harmonics, level_sd_db, scale_of
from benchd.known.level_drift import drift_db
from benchd.known.qualification_results import REPEATABILITY, newest_curve
from benchd.reduce.budget_inputs import GainKnowledge, Known
from benchd.reduce.near_noise import BESIDE
from benchd.traces import Capture


@dataclass(frozen=True)
class GainBasis:
    """What is the same at every frequency of one gain measurement.

    `knowledge` makes of it a function that gives the inputs of the budget at one frequency.

    tests, others: captures of the antenna under test, and of the reference or the thru.
    known_antenna, name: the antenna of stated gain, whose error is the same in every gain that
        was measured against it; None for methods that need none.
    drift: half-width of the drift where the captures themselves bracket it.
    antennas: of a difference the antenna under test and the reference, of a path its two ends.
    in_pairs: True where the mean of differences was taken, each test against the other capture of
        the same number: the drift that counts is that within a pair.
    is_path: True where one path alone gives the gain (Friis), False where two are compared.
    """

    bench: Bench
    tests: Sequence[Capture]
    others: Sequence[Capture]
    archive: Archive | None = None
    known_antenna: Antenna | None = None
    name: str = ""
    drift: Known | None = None
    antennas: tuple[str | None, str | None] = (None, None)
    is_path: bool = False
    in_pairs: bool = False

    def knowledge(self) -> Callable[[float], GainKnowledge]:
        """A function from a frequency in Hz to the inputs of the budget there.

        Whatever needs the store is looked up once, here, and not at each frequency.
        """
        test = self.tests[0]
        base = self._everywhere()
        spreads = BoxSpreads(self.bench, self.archive, test, *self.antennas)
        joints = newest_curve(self.archive, REPEATABILITY, test)

        def at(at_hz: float) -> GainKnowledge:
            known = _with_box(base, self.bench, at_hz)
            if self.is_path:
                known = replace(known, path_sd_db=spreads.path(at_hz))
            else:
                known = replace(known, box_sd_db=spreads.difference(at_hz))
            if joints is not None and joints.covers(at_hz, at_hz):
                known = replace(known, cable_sd_db=joints.at(at_hz))
            noise, other = self._noise(self.tests, at_hz), self._noise(self.others, at_hz)
            if noise is not None:
                known = replace(known, noise_sd_db=noise)
            return known if other is None else replace(known, reference_noise_sd_db=other)

        return at

    def _everywhere(self) -> GainKnowledge:
        test = self.tests[0]
        route = self.bench.routes[test.route]
        known = GainKnowledge()
        if self.known_antenna is not None and self.known_antenna.reference is not None:
            # The budget takes an expanded uncertainty with k = 2; the file may state another.
            data = self.known_antenna.reference
            expanded_db = data.uncertainty_db * (2.0 / data.coverage_factor)
            source = f"gain of {self.name}"
            known = replace(known, reference_gain_expanded_db=Known(expanded_db, source=source))
        if self.others:
            first = self.others[0]
            known = replace(known, reference_source=f"{self.name or first.role} on {_place(first)}")
        analyzer = self.bench.analyzer_of(route)
        if analyzer.linearity_db is not None:
            known = replace(
                known,
                linearity_db=Known(analyzer.linearity_db, source=scale_of(test, route.analyzer)),
            )
        known = replace(known, harmonics=harmonics(self.bench, route))
        match_db = port_match_db(self.bench, route)
        if match_db is not None:
            known = replace(known, port_match_db=Known(match_db))
        near_db = near_match_db(self.bench, route)
        if near_db is not None:
            known = replace(known, near_match_db=Known(near_db))
        spread_db = _connection_spread_db(self.bench, route)
        if spread_db is not None:
            known = replace(known, cable_sd_db=Known(spread_db))
        drift = self.drift or self._stated_drift()
        return known if drift is None else replace(known, drift_db=drift)

    def _stated_drift(self) -> Known | None:
        """The largest drift between a capture of the antenna and one of the other kind.

        For a mean over pairs of captures it is the mean of the pairs' drifts. How the pairs differ
        is counted already, in the spread over the pairs.
        """
        if self.in_pairs:
            pairs = list(zip(self.tests, self.others, strict=True))
        else:
            pairs = [(test, other) for test in self.tests for other in self.others]
        found = [drift_db(self.bench, test.route, other, test) for test, other in pairs]
        stated = [one for one in found if one is not None]
        if not stated:
            return None
        largest = max(stated, key=lambda one: one.value)
        if not self.in_pairs:
            return largest
        return replace(largest, value=sum(one.value for one in stated) / len(stated))

    def _noise(self, captures: Sequence[Capture], at_hz: float) -> Known | None:
        """Standard deviation (dB) of the mean level of these captures, from their own noise."""
        sizes = (level_sd_db(each, at_hz, neighbours=BESIDE) for each in captures)
        found = [one for one in sizes if one is not None]
        if not found:
            return None
        worst = max(found, key=lambda one: one.value)
        together = math.hypot(*(one.value for one in found)) / math.sqrt(len(found))
        return replace(worst, value=together / math.sqrt(len(captures)))


def _place(capture: Capture) -> str:
    """A key for where a capture was taken: route, position and the parts in the path.

    Captures that differ in any of these count as taken at different places.
    """
    parts = ",".join(f"{name}:{digest}" for name, digest in sorted(capture.fixtures.items()))
    short = hashlib.sha256(parts.encode()).hexdigest()[:8]
    where = f"{capture.route}/{capture.position}" if capture.position else capture.route
    return f"{where} ({short})"


def _with_box(known: GainKnowledge, bench: Bench, at_hz: float) -> GainKnowledge:
    box = bench.box
    if box is None:
        return known
    if box.range_length_m is not None:
        known = replace(known, range_m=box.range_length_m)
    if box.range_tolerance_m is not None:
        known = replace(known, range_offset_m=Known(box.range_tolerance_m))
    if box.polarisation_tolerance_deg is not None:
        known = replace(known, polarisation_deg=Known(box.polarisation_tolerance_deg))
    if box.finite_range_db is not None:
        known = replace(known, finite_range_db=Known(box.finite_range_db.at(at_hz)))
    return known


def _parts(bench: Bench, elements: list[str]) -> list[PassiveFixture | SwitchInstrument]:
    found = []
    for element in elements:
        name = element.partition(".")[0]
        part = bench.fixtures.get(name) or bench.instruments.get(name)
        if isinstance(part, PassiveFixture | SwitchInstrument):
            found.append(part)
    return found


def port_match_db(bench: Bench, route: Route) -> float | None:
    """Return loss (dB) that the far antenna is joined to: of all parts between it and the receiver.

    The reflections are added as powers. Losses on the way are left out, which makes the match look
    worse than it is, so the error is on the safe side.
    """
    matches = [part.match_db for part in _parts(bench, route.back)]
    return _together_db([*matches, bench.analyzer_of(route).match_db])


def near_match_db(bench: Bench, route: Route) -> float | None:
    """Return loss (dB) that the near antenna is joined to: of all parts between it and the source.

    None if the source's own match is not stated, since that is usually the worst part. For an
    analyzer that contains a generator the bench file states the match of the input, which is not
    that of the generator.
    """
    source = bench.instruments[route.source]
    match_db = source.match_db if isinstance(source, SourceInstrument) else None
    if match_db is None:
        return None
    return _together_db([*(part.match_db for part in _parts(bench, route.out)), match_db])


def _together_db(matches: list[float | None]) -> float | None:
    stated = [match for match in matches if match is not None]
    if not stated:
        return None
    return float(-10.0 * np.log10(np.sum(10.0 ** (-np.array(stated) / 10.0))))


def _connection_spread_db(bench: Bench, route: Route) -> float | None:
    """Standard deviation (dB) of joining a connection again, from every part whose repeatability is
    stated."""
    sizes = [part.repeatability_db for part in _parts(bench, route.back)]
    stated = [size for size in sizes if size is not None]
    return float(np.hypot.reduce(stated)) if stated else None
