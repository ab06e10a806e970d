"""`gain-two-identical` and `gain-three-antennas`: gain without an antenna of known gain.

The range's loss follows from Friis' formula, and the loss of the cables from a thru capture.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Iterator, Sequence
from dataclasses import replace
from typing import Annotated, Literal, Self

import numpy as np
from pydantic import Field

from benchd.bench import Bench
from benchd.files.fields import Label
from benchd.known.antenna_match import AntennaMatch, antenna_match
from benchd.known.box_spreads import OTHER_ANTENNAS, kinds, scaled_by_gain
from benchd.known.captures import BenchKnowledge, JobCaptures
from benchd.known.carrier_levels import only_visited
from benchd.known.gain import GainBasis
from benchd.reduce.absolute_gain import (
    Transmission,
    identical_antennas_result,
    three_antennas_results,
)
from benchd.reduce.budget_inputs import GainKnowledge, Known
from benchd.reductions.base import CaptureNames, Finding, View
from benchd.reductions.gain_curves import gain_outcome
from benchd.reductions.gain_levels import mean_level, near_noise, nearer_db, require_same
from benchd.reductions.gain_settings import GainReduction
from benchd.reductions.outcome import Outcome
from benchd.reductions.registry import reduction
from benchd.reductions.worksheet_checks import differences
from benchd.results import Result
from benchd.traces import Capture
from benchd.worksheet import CaptureStep


class _Range(GainReduction):
    """What both ways share: a thru, the frequencies, the antennas' own reflections."""

    thru: CaptureNames = Field(description="capture with the cables joined, or a list")

    def far_captures(self) -> dict[str, tuple[str, ...]]:
        """Input -> captures over the range, in order; the first sets route and grid."""
        return {}

    def inputs(self) -> dict[str, tuple[str, ...]]:
        """The captures over the range, and the thru."""
        return {**self.far_captures(), "thru": tuple(self.thru)}

    def check(self, view: View) -> Iterator[Finding]:
        """Check roles, routes, grids and frequencies, and that the range has a stated length."""
        first = self._first(view)
        places = [
            ((key, index) if isinstance(getattr(self, key), list) else (key,), name)
            for key, names in self.inputs().items()
            for index, name in enumerate(names)
        ]
        for path, name in places:
            capture = view.captures[name]
            wanted = "thru" if path[0] == "thru" else "test"
            if capture.role != wanted:
                yield path, f'"{name}" has the role {capture.role}, expected {wanted}'
            if view.bench.routes[capture.route].kind != "transmission":
                yield path, f'"{name}" was taken on the route "{capture.route}", a reflection'
            apart = differences(first, capture, grid=not self.interpolate)
            if apart:
                yield path, f'"{name}" does not fit "{first.name}": {"; ".join(apart)}'
        if view.bench.box is None or view.bench.box.range_length_m is None:
            yield ("kind",), "needs box.range_length in the bench file"
        yield from self.frequency_findings(first)

    def resolved(self, view: View) -> Self:
        """The same settings with the frequencies to report filled in."""
        return self.model_copy(update=self.with_frequencies(view, self._first(view)))

    def _first(self, view: View) -> CaptureStep:
        names = next(iter(self.far_captures().values()))
        return view.captures[names[0]]


class TwoIdentical(_Range):
    """Realised gain of each of two antennas built alike, one at either end of the range."""

    kind: Literal["gain-two-identical"] = Field(description="gain-two-identical")
    test: CaptureNames = Field(description="capture with both antennas on the range, or a list")

    def far_captures(self) -> dict[str, tuple[str, ...]]:
        """The captures with both antennas."""
        return {"test": tuple(self.test)}


class ThreeAntennas(_Range):
    """Realised gain of three antennas, each pair measured once; none needs to be known."""

    kind: Literal["gain-three-antennas"] = Field(description="gain-three-antennas")
    ab: Label = Field(description="capture with the first at the near end and the second far")
    ac: Label = Field(description="capture with the first at the near end and the third far")
    bc: Label = Field(description="capture with the second at the near end and the third far")
    antennas: Annotated[list[Label], Field(min_length=3, max_length=3)] = Field(
        description="the three antennas: first, second, third"
    )

    def far_captures(self) -> dict[str, tuple[str, ...]]:
        """The three pairs."""
        return {"ab": (self.ab,), "ac": (self.ac,), "bc": (self.bc,)}

    def check(self, view: View) -> Iterator[Finding]:
        """Check also that the three antennas are different ones of the bench, and that each capture
        was taken with the far antenna that its pair needs."""
        yield from super().check(view)
        for index, name in enumerate(self.antennas):
            if name not in view.bench.antennas:
                known = ", ".join(view.bench.antennas)
                yield ("antennas", index), f'the bench has no antenna "{name}", it has: {known}'
            if name in self.antennas[:index]:
                yield ("antennas", index), f'"{name}" stands here twice'
        for key, far in (("ab", 1), ("ac", 2), ("bc", 2)):
            name = getattr(self, key)
            found = view.captures[name].antenna
            if found != self.antennas[far]:
                text = f'"{name}" is of {found}, expected {self.antennas[far]} at the far end'
                yield (key,), text


PAIRS = (("ab", 0, 1), ("ac", 0, 2), ("bc", 1, 2))
"""Input, place of the near antenna and of the far one in the recipe's list."""


@reduction(TwoIdentical)
def reduce_two_identical(
    settings: TwoIdentical, captures: JobCaptures, known: BenchKnowledge
) -> Outcome:
    """Realised gain of each of two antennas taken as identical.

    A difference between the two is not in the budget; half of it would be the error of each.
    Raises NormalisationRefused, ReductionRefused.
    """
    tests, thrus = captures.all(settings.test), captures.all(settings.thru)
    require_same(captures.step, settings, [*tests, *thrus])
    kept = only_visited([*tests, *thrus])
    tests, thrus = kept[: len(tests)], kept[len(tests) :]
    name = str(tests[0].antenna)
    match = _match(settings, captures, known, tests[0], name)
    pair = _pair(known.bench, tests, thrus, (match, match), (name, name))
    knowledge = GainBasis(
        known.bench, tests, thrus, known.archive, antennas=(name, name), is_path=True
    ).knowledge()
    size = (known.bench.antennas[name].largest_dimension_m,)

    def at(frequency_hz: float) -> list[Result]:
        found = identical_antennas_result(pair(frequency_hz), knowledge(frequency_hz), size)
        found = replace(found, note=f"{found.note} Taken as identical: half of the sum of both.")
        return [found.with_flags(*near_noise(tests, frequency_hz))]

    return gain_outcome(
        settings,
        tests[0],
        [*tests, *thrus, *match.captures],
        at,
        antenna=name,
        known=known,
        step=captures.step,
    )


@reduction(ThreeAntennas)
def reduce_three_antennas(
    settings: ThreeAntennas, captures: JobCaptures, known: BenchKnowledge
) -> Outcome:
    """Realised gain of three antennas, from each pair of them.

    Raises NormalisationRefused, ReductionRefused.
    """
    thrus = captures.all(settings.thru)
    tests = captures.all((settings.ab, settings.ac, settings.bc))
    require_same(captures.step, settings, [*tests, *thrus])
    kept = only_visited([*tests, *thrus])
    tests, thrus = kept[: len(tests)], kept[len(tests) :]
    names = settings.antennas
    matches = [_match(settings, captures, known, tests[0], name) for name in names]
    pairs = [
        _pair(
            known.bench,
            [test],
            thrus,
            (matches[near], matches[far]),
            (names[near], names[far]),
        )
        for test, (_, near, far) in zip(tests, PAIRS, strict=True)
    ]
    # Noise and the effect of the walls are found for each pair: the weakest of the three may lie in
    # the noise while the first does not.
    known_of = [
        GainBasis(
            known.bench,
            [test],
            thrus,
            known.archive,
            antennas=(names[near], names[far]),
            is_path=True,
        ).knowledge()
        for test, (_, near, far) in zip(tests, PAIRS, strict=True)
    ]
    sizes = tuple(known.bench.antennas[name].largest_dimension_m for name in names)
    used = [*tests, *thrus, *(c for match in matches for c in match.captures)]

    def at(frequency_hz: float) -> list[Result]:
        every = [knowledge(frequency_hz) for knowledge in known_of]
        plain = [pair(frequency_hz) for pair in pairs]
        ab, ac, bc = (
            replace(one, path_sd_db=spread, noise_sd_db=own.noise_sd_db)
            for one, own, spread in zip(plain, every, _path_spreads(plain, every), strict=True)
        )
        # The errors that all three share are taken from the pair with the greatest drift, which
        # grows with time: usually the last pair.
        common = max(every, key=lambda one: one.drift_db.value)
        found = three_antennas_results(ab, ac, bc, common, names, sizes)
        flags = near_noise(tests, frequency_hz)
        return [one.with_flags(*flags) for one in found]

    return gain_outcome(settings, tests[0], used, at, antenna=None, known=known, step=captures.step)


def _match(
    settings: _Range, captures: JobCaptures, known: BenchKnowledge, test: Capture, name: str
) -> AntennaMatch:
    return antenna_match(
        known, captures, test, name, match=settings.match, max_age_s=settings.max_age_s
    )


def _path_spreads(pairs: Sequence[Transmission], known: Sequence[GainKnowledge]) -> list[Known]:
    """Spread over places (dB) of the level of each pair's path.

    If the box was qualified with one of the three pairs, its spread is carried over to the others
    by their gain: how far their levels differ, less what noise alone may make them differ.
    """
    suited = [i for i, one in enumerate(known) if one.path_sd_db.how != OTHER_ANTENNAS]
    found = []
    for pair, own in zip(pairs, known, strict=True):
        more_db = 0.0
        if suited:
            other, others = pairs[suited[0]], known[suited[0]]
            noise_db = math.hypot(own.noise_sd_db.value, others.noise_sd_db.value)
            seen_db = pair.ratio_db - other.ratio_db
            more_db = math.copysign(max(0.0, abs(seen_db) - 2.0 * noise_db), seen_db)
        found.append(scaled_by_gain(own.path_sd_db, more_db))
    return found


def _pair(
    bench: Bench,
    tests: list[Capture],
    thrus: list[Capture],
    matches: tuple[AntennaMatch, AntennaMatch],
    names: tuple[str, str],
) -> Callable[[float], Transmission]:
    """A function that gives the transmission of one pair at a frequency in Hz.

    The levels are corrected for the antennas' phase centres, which shorten the range.
    names: the near and the far antenna.
    """
    alike = kinds(bench, list(bench.antennas))
    grid = tests[0].level.frequency_hz
    received = mean_level(tests, grid) + nearer_db(bench, *names)
    thru = mean_level(thrus, grid)

    def at(frequency_hz: float) -> Transmission:
        return Transmission(
            frequency_hz=frequency_hz,
            received_dbm=float(np.interp(frequency_hz, grid, received)),
            thru_dbm=float(np.interp(frequency_hz, grid, thru)),
            gammas=(matches[0].at(frequency_hz), matches[1].at(frequency_hz)),
            names=names,
            kinds=(alike[names[0]], alike[names[1]]),
        )

    return at
