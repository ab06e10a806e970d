"""`gain`: a pair of captures, or a range of known gain, to the gain of an antenna."""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import replace

import numpy as np

from benchd.bench import Antenna
from benchd.errors import ReductionRefused
from benchd.known.antenna_match import AntennaMatch, antenna_match
from benchd.known.captures import Sources, inputs
from benchd.known.gain import GainBasis
from benchd.known.readings import carrier_dbm, noise_flags, only_visited
from benchd.known.timeline import follow, seconds
from benchd.reduce.absolute import Transmission, range_antenna_result
from benchd.reduce.compatibility import description, require_fit
from benchd.reduce.decibels import mismatch_loss_db
from benchd.reduce.farfield import phase_centre_correction_db
from benchd.reduce.knowledge import GainKnowledge, Known
from benchd.reduce.normalise import onto_grid
from benchd.reduce.positions import PositionMean, position_mean
from benchd.reduce.qualify.spreads import spread_result
from benchd.reduce.transfer import Substitution, substitution_results
from benchd.reductions.gain_curves import AtFrequency, gain_outcome
from benchd.reductions.outcome import Outcome
from benchd.reductions.series import reported_hz
from benchd.results import Result
from benchd.traces import Capture, FloatArray
from benchd.worksheet import ReduceStep

KnowledgeAt = Callable[[float], GainKnowledge]


def reduce_gain(sources: Sources, step: ReduceStep) -> Outcome:
    """Realised gain at the frequencies asked for and over the band; gain where the antenna's
    reflection is known. Raises NormalisationRefused, ReductionRefused.
    """
    captures = inputs(sources, step)
    tests = all_of(captures, "test")
    if step.options["method"] == "substitution":
        others = all_of(captures, "reference")
    else:
        others = all_of(captures, "thru")
    require_same(step, [*tests, *others])
    kept = only_visited([*tests, *others])
    tests, others = kept[: len(tests)], kept[len(tests) :]
    matches = {name: antenna_match(sources, step, tests[0], name) for name in _antennas(step)}
    used = [*tests, *others, *(c for found in matches.values() for c in found.captures)]
    spreads: list[Result] = []
    if step.options["method"] == "substitution":
        places = _places(step, tests, others)
        at = _by_substitution(sources, step, tests, others, matches, places)
        if places is not None:
            spreads = places.spreads(reported_hz(step, tests[0].level.frequency_hz))
    else:
        at = _by_range_antenna(sources, step, tests, others, matches)
    return gain_outcome(
        step, tests[0], used, at, antenna=step.options["antenna"], bench=sources.bench, more=spreads
    )


def all_of(captures: dict[str, Capture], key: str) -> list[Capture]:
    """The captures of one input in order: key, key_2, key_3."""
    return [c for name, c in captures.items() if name == key or name.startswith(f"{key}_")]


def require_same(step: ReduceStep, captures: list[Capture]) -> None:
    """All captures taken as the first was. Raises NormalisationRefused."""
    for other in captures[1:]:
        require_fit(
            description(other),
            description(captures[0]),
            max_age_s=None,
            other_grid=step.interpolate,
            where=step.label,
        )


def level_on(capture: Capture, grid: FloatArray) -> FloatArray:
    """The carrier's level, noise bias removed, on a grid; dBm."""
    return onto_grid(capture.level.frequency_hz, carrier_dbm(capture), grid)


def mean_level(captures: list[Capture], grid: FloatArray) -> FloatArray:
    """Mean in dB of the levels."""
    return np.asarray(np.mean([level_on(c, grid) for c in captures], axis=0), dtype=float)


def phase_centre_m(sources: Sources, name: str) -> float:
    """How far ahead of its mark the antenna radiates; 0 where the bench file does not say."""
    return sources.bench.antennas[name].phase_centre_m or 0.0


def nearer_db(sources: Sources, *names: str) -> float:
    """What to add to a level for phase centres ahead of their marks: negative, as the antennas
    are nearer to each other than the range says."""
    ahead_m = sum(phase_centre_m(sources, name) for name in names)
    box = sources.bench.box
    if ahead_m == 0.0 or box is None or box.range_length_m is None:
        return 0.0
    return phase_centre_correction_db(box.range_length_m, ahead_m)


def _antennas(step: ReduceStep) -> list[str]:
    options = step.options
    known = options.get("reference_antenna") or options.get("range_antenna")
    return [str(options["antenna"]), str(known)]


def _known_antenna(sources: Sources, step: ReduceStep) -> tuple[str, Antenna]:
    name = _antennas(step)[1]
    return name, sources.bench.antennas[name]


def with_spreads(
    known: GainKnowledge, test: AntennaMatch, other: AntennaMatch, at_hz: float
) -> GainKnowledge:
    """What is known of both reflections, put into the knowledge."""
    of_test, of_other = test.spread_at(at_hz), other.spread_at(at_hz)
    if of_test is not None:
        known = replace(known, reflection_sd=of_test)
    return known if of_other is None else replace(known, reference_reflection_sd=of_other)


def _reference_over_time(
    step: ReduceStep, tests: list[Capture], references: list[Capture], grid: FloatArray
) -> tuple[FloatArray, Known | None]:
    """Reference level at the times of the tests, and the drift that may be left.

    Where the recipe does not want to follow the drift, or one test lies outside of all
    references: their mean, and no statement about drift.
    """
    rows = [(reference, level_on(reference, grid)) for reference in references]
    plain = np.asarray(np.mean([level for _, level in rows], axis=0), dtype=float)
    if not step.options.get("follow_drift", True) or len(rows) < 2:
        return plain, None
    followed = [follow(rows, seconds(test)) for test in tests]
    drifts = [one.drift for one in followed if one.drift is not None]
    if len(drifts) < len(followed):
        return plain, None
    level = np.asarray(np.mean([one.level_dbm for one in followed], axis=0), dtype=float)
    return level, max(drifts, key=lambda one: one.value)


def _by_substitution(
    sources: Sources,
    step: ReduceStep,
    tests: list[Capture],
    references: list[Capture],
    matches: dict[str, AntennaMatch],
    places: _Places | None,
) -> AtFrequency:
    name, antenna = _known_antenna(sources, step)
    data = antenna.reference
    assert data is not None, "the recipe was resolved with a reference antenna that has a gain"
    grid = tests[0].level.frequency_hz
    tested = str(step.options["antenna"])
    if places is None:
        reference_dbm, drift = _reference_over_time(step, tests, references, grid)
        test_dbm = mean_level(tests, grid)
    else:
        reference_dbm, drift = mean_level(references, grid), None
        test_dbm = reference_dbm + places.over_grid()
    pair = Substitution(
        frequency_hz=grid,
        test_dbm=test_dbm + nearer_db(sources, tested),
        reference_dbm=reference_dbm + nearer_db(sources, name),
        reference_gain_dbi=data.gain_dbi.over(grid),
        test_gamma=matches[tested].gamma,
        reference_gamma=matches[name].gamma,
        reference_is_realised=data.gain_is == "realised",
        largest_dimensions_m=(
            sources.bench.antennas[tested].largest_dimension_m,
            antenna.largest_dimension_m,
        ),
        test_gamma_limit=matches[tested].limit,
    )
    basis = GainBasis(
        sources.bench,
        tests,
        references,
        sources.store,
        antenna,
        name,
        drift,
        antennas=(tested, name),
        in_pairs=places is not None,
    ).knowledge()

    def at(frequency_hz: float) -> list[Result]:
        known = with_spreads(basis(frequency_hz), matches[tested], matches[name], frequency_hz)
        flags = _near_noise([*tests, *references], frequency_hz)
        if places is not None:
            mean = places.at(frequency_hz)
            known = _over_places(known, mean)
            flags = (*flags, *mean.flags)
        found = substitution_results(pair, [frequency_hz], known)
        return [one.with_flags(*flags) for one in found]

    return at


def _over_places(known: GainKnowledge, mean: PositionMean) -> GainKnowledge:
    """What is left to be counted beside the spread over the places.

    Noise is in that spread already, new at every place: it is told by itself and taken off there,
    since it is new at every frequency, too, where the walls' part is not. With mounts exchanged
    each antenna was joined to either mount: of what the joints and the mounts' cables add, the mean
    is left.
    """
    joints = replace(known.cable_sd_db, value=known.cable_sd_db.value / math.sqrt(mean.groups))
    noises = (known.noise_sd_db, known.reference_noise_sd_db or known.noise_sd_db)
    noise_db = math.hypot(*(one.value for one in noises))
    # A spread of so few places may come out below its noise alone.
    walls_db = math.sqrt(max(0.0, mean.box.value**2 - noise_db**2))
    return replace(known, box_sd_db=replace(mean.box, value=walls_db), cable_sd_db=joints)


def _near_noise(captures: list[Capture], at_hz: float) -> tuple[str, ...]:
    return tuple(dict.fromkeys(f for one in captures for f in noise_flags(one, at_hz)))


def _places(step: ReduceStep, tests: list[Capture], references: list[Capture]) -> _Places | None:
    """What several places show, where the recipe says that there are several."""
    travel_m = step.options.get("travel_m")
    if travel_m is None:
        return None
    return _Places(step, tests, references, tests[0].level.frequency_hz, travel_m)


class _Places:
    """Differences test minus reference at each place, and what their spread says of the box.

    Test and reference stand at the same places in the same order, so that what a place does to
    both cancels and only what it does to one of them is left in the spread.
    """

    def __init__(
        self,
        step: ReduceStep,
        tests: list[Capture],
        references: list[Capture],
        grid: FloatArray,
        travel_m: float,
    ) -> None:
        if len(tests) != len(references):
            raise ReductionRefused(
                f"{len(tests)} places of the antenna against {len(references)} of the reference",
                where=step.label,
                advice="Measure both at the same places, in the same order.",
            )
        pairs = zip(tests, references, strict=True)
        self._differences = np.array([level_on(a, grid) - level_on(b, grid) for a, b in pairs])
        self._grid, self._travel_m = grid, travel_m
        self._arrangements = [
            f"{a.position} against {b.position}" for a, b in zip(tests, references, strict=True)
        ]

    def at(self, frequency_hz: float) -> PositionMean:
        """Mean and spread at one frequency."""
        here = [float(np.interp(frequency_hz, self._grid, row)) for row in self._differences]
        return position_mean(np.array(here), self._travel_m, frequency_hz, self._arrangements)

    def over_grid(self) -> FloatArray:
        """Mean difference at each frequency of the captures, dB."""
        return np.array([self.at(float(frequency_hz)).mean_db for frequency_hz in self._grid])

    def spreads(self, at_hz: list[float]) -> list[Result]:
        """`box_gain_spread`: what a gain at one place alone is uncertain by, for later budgets.

        Left out where the places lie too close together to show it.
        """
        found = [(frequency_hz, self.at(frequency_hz)) for frequency_hz in at_hz]
        return [
            spread_result(
                "box_gain_spread",
                mean.sd_db,
                float(mean.positions - 1),
                frequency_hz=frequency_hz,
                note=f"Standard deviation of this gain at one place, from {mean.positions} places.",
            )
            for frequency_hz, mean in found
            if not mean.flags
        ]


def _by_range_antenna(
    sources: Sources,
    step: ReduceStep,
    tests: list[Capture],
    thrus: list[Capture],
    matches: dict[str, AntennaMatch],
) -> AtFrequency:
    name, antenna = _known_antenna(sources, step)
    data = antenna.reference
    assert data is not None, "the recipe was resolved with a range antenna that has a gain"
    grid = tests[0].level.frequency_hz
    tested = str(step.options["antenna"])
    received = mean_level(tests, grid) + nearer_db(sources, tested, name)
    thru = mean_level(thrus, grid)
    sizes = (sources.bench.antennas[tested].largest_dimension_m, antenna.largest_dimension_m)
    basis = GainBasis(
        sources.bench,
        tests,
        thrus,
        sources.store,
        antenna,
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
        found = range_antenna_result(one, range_gain, known, sizes, gain_is_realised=is_realised)
        return [found.with_flags(*_near_noise(tests, frequency_hz))]

    return at
