"""`gain`: the gain of an antenna from captures of it and of a reference antenna or a thru."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from benchd.bench import Antenna, ReferenceData
from benchd.known.antenna_match import AntennaMatch, antenna_match
from benchd.known.captures import BenchKnowledge, JobCaptures
from benchd.known.carrier_levels import only_visited
from benchd.known.gain import GainBasis
from benchd.known.time_interpolation import follow, seconds
from benchd.reduce.absolute_gain import Transmission, range_antenna_result
from benchd.reduce.budget_inputs import Known
from benchd.reduce.decibels import mismatch_loss_db
from benchd.reduce.gain_by_substitution import Substitution, substitution_results
from benchd.reductions.gain_curves import AtFrequency, gain_outcome
from benchd.reductions.gain_levels import (
    level_on,
    mean_level,
    near_noise,
    nearer_db,
    require_same,
    with_spreads,
)
from benchd.reductions.gain_places import PlacesOfAGain, over_places, places_of
from benchd.reductions.gain_settings import Gain
from benchd.reductions.outcome import Outcome
from benchd.reductions.registry import reduction
from benchd.reductions.repeated_captures import reported_hz
from benchd.results import Result
from benchd.traces import Capture, FloatArray


@reduction(Gain)
def reduce_gain(settings: Gain, captures: JobCaptures, known: BenchKnowledge) -> Outcome:
    """Realised gain at the requested frequencies and over the band.

    Gain (without mismatch loss) is added if the antenna's reflection is known.
    Raises NormalisationRefused, ReductionRefused.
    """
    tests = captures.all(settings.test)
    others = captures.all(settings.reference or settings.thru)
    require_same(captures.step, settings, [*tests, *others])
    swept_hz = tests[0].level.frequency_hz
    kept = only_visited([*tests, *others])
    tests, others = kept[: len(tests)], kept[len(tests) :]
    tested = str(tests[0].antenna)
    known_name = str(others[0].antenna if settings.reference else settings.range_antenna)
    matches = {
        name: antenna_match(
            known, captures, tests[0], name, match=settings.match, max_age_s=settings.max_age_s
        )
        for name in (tested, known_name)
    }
    used = [*tests, *others, *(c for found in matches.values() for c in found.captures)]
    pair = _Pair(known, tests, others, tested, known_name, matches)
    spreads: list[Result] = []
    if settings.method == "substitution":
        places = places_of(settings, tests, others, captures.step)
        at = _by_substitution(pair, places, follow_drift=settings.follow_drift)
        if places is not None:
            spreads = places.spreads(reported_hz(settings.at_hz, tests[0].level.frequency_hz))
    else:
        at = _by_range_antenna(pair)
    return gain_outcome(
        settings,
        tests[0],
        used,
        at,
        antenna=tested,
        known=known,
        step=captures.step,
        more=spreads,
        unread_hz=np.setdiff1d(swept_hz, tests[0].level.frequency_hz),
    )


@dataclass(frozen=True)
class _Pair:
    """One antenna and the antenna of stated gain that it is measured against.

    tests: captures of the antenna. others: captures of the reference, or of the thru.
    tested: name of the antenna. known_name: name of the antenna of stated gain.
    matches: reflections of the antennas, by name.
    """

    known: BenchKnowledge
    tests: list[Capture]
    others: list[Capture]
    tested: str
    known_name: str
    matches: dict[str, AntennaMatch]

    @property
    def known_antenna(self) -> Antenna:
        """The antenna of stated gain."""
        return self.known.bench.antennas[self.known_name]

    @property
    def stated(self) -> ReferenceData:
        """What the bench file states of the antenna of stated gain."""
        data = self.known_antenna.reference
        assert data is not None, "the recipe was resolved with an antenna that has a gain"
        return data

    @property
    def sizes_m(self) -> tuple[float, float]:
        """Largest dimensions of the antenna and of that of stated gain."""
        antennas = self.known.bench.antennas
        return (
            antennas[self.tested].largest_dimension_m,
            antennas[self.known_name].largest_dimension_m,
        )


def _reference_over_time(
    pair: _Pair, grid: FloatArray, *, follow_drift: bool
) -> tuple[FloatArray, Known | None]:
    """Reference level at the times of the tests, and the half-width of the drift that may be left.

    It is the mean of the references, with None for the drift, in two cases: if the recipe does not
    ask to follow the drift, or if a test was not taken between two references.
    """
    rows = [(reference, level_on(reference, grid)) for reference in pair.others]
    plain = np.asarray(np.mean([level for _, level in rows], axis=0), dtype=float)
    if not follow_drift or len(rows) < 2:
        return plain, None
    followed = [follow(rows, seconds(test)) for test in pair.tests]
    drifts = [one.drift for one in followed if one.drift is not None]
    if len(drifts) < len(followed):
        return plain, None
    level = np.asarray(np.mean([one.level_dbm for one in followed], axis=0), dtype=float)
    return level, max(drifts, key=lambda one: one.value)


def _by_substitution(
    pair: _Pair, places: PlacesOfAGain | None, *, follow_drift: bool
) -> AtFrequency:
    bench, tested, name = pair.known.bench, pair.tested, pair.known_name
    tests, references, matches = pair.tests, pair.others, pair.matches
    data = pair.stated
    grid = tests[0].level.frequency_hz
    if places is None:
        reference_dbm, drift = _reference_over_time(pair, grid, follow_drift=follow_drift)
        test_dbm = mean_level(tests, grid)
    else:
        reference_dbm, drift = mean_level(references, grid), None
        test_dbm = reference_dbm + places.over_grid()
    difference = Substitution(
        frequency_hz=grid,
        test_dbm=test_dbm + nearer_db(bench, tested),
        reference_dbm=reference_dbm + nearer_db(bench, name),
        reference_gain_dbi=data.gain_dbi.over(grid),
        test_gamma=matches[tested].gamma,
        reference_gamma=matches[name].gamma,
        reference_is_realised=data.gain_is == "realised",
        largest_dimensions_m=pair.sizes_m,
        test_gamma_limit=matches[tested].limit,
    )
    basis = GainBasis(
        bench,
        tests,
        references,
        pair.known.archive,
        pair.known_antenna,
        name,
        drift,
        antennas=(tested, name),
        in_pairs=places is not None,
    ).knowledge()

    def at(frequency_hz: float) -> list[Result]:
        known = with_spreads(basis(frequency_hz), matches[tested], matches[name], frequency_hz)
        flags = near_noise([*tests, *references], frequency_hz)
        if places is not None:
            mean = places.at(frequency_hz)
            known = over_places(known, mean)
            flags = (*flags, *mean.flags)
        found = substitution_results(difference, [frequency_hz], known)
        return [one.with_flags(*flags) for one in found]

    return at


def _by_range_antenna(pair: _Pair) -> AtFrequency:
    bench, tested, name = pair.known.bench, pair.tested, pair.known_name
    tests, thrus, matches, data = pair.tests, pair.others, pair.matches, pair.stated
    grid = tests[0].level.frequency_hz
    received = mean_level(tests, grid) + nearer_db(bench, tested, name)
    thru = mean_level(thrus, grid)
    basis = GainBasis(
        bench,
        tests,
        thrus,
        pair.known.archive,
        pair.known_antenna,
        name,
        antennas=(name, tested),
        is_path=True,
    ).knowledge()

    def at(frequency_hz: float) -> list[Result]:
        known = with_spreads(basis(frequency_hz), matches[tested], matches[name], frequency_hz)
        near = matches[name].at(frequency_hz)
        one = Transmission(
            frequency_hz=frequency_hz,
            received_dbm=float(np.interp(frequency_hz, grid, received)),
            thru_dbm=float(np.interp(frequency_hz, grid, thru)),
            gammas=(near, matches[tested].at(frequency_hz)),
        )
        range_gain = data.gain_dbi.at(frequency_hz)
        is_realised = data.gain_is == "realised"
        if not is_realised:
            range_gain -= mismatch_loss_db(near.value)
        found = range_antenna_result(
            one, range_gain, known, pair.sizes_m, gain_is_realised=is_realised
        )
        return [found.with_flags(*near_noise(tests, frequency_hz))]

    return at
