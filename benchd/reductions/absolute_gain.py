"""`gain-two-identical` and `gain-three-antennas`: Friis with the cables' loss from a thru."""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import replace

import numpy as np

from benchd.known.antenna_match import AntennaMatch, antenna_match
from benchd.known.box_spreads import OTHER_ANTENNAS, kinds, scaled_by_gain
from benchd.known.captures import Sources, inputs
from benchd.known.gain import GainBasis
from benchd.known.readings import noise_flags, only_visited
from benchd.reduce.absolute import (
    Transmission,
    identical_antennas_result,
    three_antennas_results,
)
from benchd.reduce.knowledge import GainKnowledge, Known
from benchd.reductions.gain import all_of, mean_level, nearer_db, require_same
from benchd.reductions.gain_curves import gain_outcome
from benchd.reductions.outcome import Outcome
from benchd.results import Result
from benchd.traces import Capture
from benchd.worksheet import ReduceStep

PAIRS = (("ab", 0, 1), ("ac", 0, 2), ("bc", 1, 2))
"""Input, place of the near antenna and of the far one in the recipe's list."""


def reduce_two_identical(sources: Sources, step: ReduceStep) -> Outcome:
    """Realised gain of each of two antennas taken as identical.

    What the two differ by is not in the budget: half of it is the error of each.
    Raises NormalisationRefused, ReductionRefused.
    """
    captures = inputs(sources, step)
    tests, thrus = all_of(captures, "test"), all_of(captures, "thru")
    require_same(step, [*tests, *thrus])
    kept = only_visited([*tests, *thrus])
    tests, thrus = kept[: len(tests)], kept[len(tests) :]
    name = str(step.options["antenna"])
    match = antenna_match(sources, step, tests[0], name)
    pair = _pair(sources, tests, thrus, (match, match), (name, name))
    knowledge = GainBasis(
        sources.bench, tests, thrus, sources.store, antennas=(name, name), is_path=True
    ).knowledge()
    size = (sources.bench.antennas[name].largest_dimension_m,)

    def at(frequency_hz: float) -> list[Result]:
        known = knowledge(frequency_hz)
        found = identical_antennas_result(pair(frequency_hz), known, size)
        found = replace(found, note=f"{found.note} Taken as identical: half of the sum of both.")
        return [found.with_flags(*_near_noise(tests, frequency_hz))]

    return gain_outcome(
        step, tests[0], [*tests, *thrus, *match.captures], at, antenna=name, bench=sources.bench
    )


def reduce_three_antennas(sources: Sources, step: ReduceStep) -> Outcome:
    """Realised gain of three antennas, from each pair of them.

    Raises NormalisationRefused, ReductionRefused.
    """
    captures = inputs(sources, step)
    thrus = all_of(captures, "thru")
    tests = [captures[key] for key, _, _ in PAIRS]
    require_same(step, [*tests, *thrus])
    kept = only_visited([*tests, *thrus])
    tests, thrus = kept[: len(tests)], kept[len(tests) :]
    names = [str(name) for name in step.options["antennas"]]
    matches = [antenna_match(sources, step, tests[0], name) for name in names]
    pairs = [
        _pair(
            sources,
            [test],
            thrus,
            (matches[near], matches[far]),
            (names[near], names[far]),
        )
        for test, (_, near, far) in zip(tests, PAIRS, strict=True)
    ]
    # Each pair has noise and walls of its own: the weakest of the three may lie in the noise while
    # the first does not.
    known_of = [
        GainBasis(
            sources.bench,
            [test],
            thrus,
            sources.store,
            antennas=(names[near], names[far]),
            is_path=True,
        ).knowledge()
        for test, (_, near, far) in zip(tests, PAIRS, strict=True)
    ]
    sizes = tuple(sources.bench.antennas[name].largest_dimension_m for name in names)
    used = [*tests, *thrus, *(c for match in matches for c in match.captures)]

    def at(frequency_hz: float) -> list[Result]:
        known = [knowledge(frequency_hz) for knowledge in known_of]
        plain = [pair(frequency_hz) for pair in pairs]
        ab, ac, bc = (
            replace(one, path_sd_db=spread, noise_sd_db=own.noise_sd_db)
            for one, own, spread in zip(plain, known, _path_spreads(plain, known), strict=True)
        )
        # Of what all three share, the drift grows with time: the last pair has most of it.
        common = max(known, key=lambda one: one.drift_db.value)
        found = three_antennas_results(ab, ac, bc, common, names, sizes)
        flags = _near_noise(tests, frequency_hz)
        return [one.with_flags(*flags) for one in found]

    return gain_outcome(step, tests[0], used, at, antenna=None, bench=sources.bench)


def _path_spreads(pairs: Sequence[Transmission], known: Sequence[GainKnowledge]) -> list[Known]:
    """Spread of each pair's path. Where the box was qualified with one of the three pairs, the
    others show by their levels how much more gain they have, or less, as far as noise lets them."""
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
    sources: Sources,
    tests: list[Capture],
    thrus: list[Capture],
    matches: tuple[AntennaMatch, AntennaMatch],
    names: tuple[str, str],
) -> Callable[[float], Transmission]:
    """One transmission at any frequency; phase centres taken into the range.

    names: of the near and the far antenna.
    """
    alike = kinds(sources.bench, list(sources.bench.antennas))
    grid = tests[0].level.frequency_hz
    received = mean_level(tests, grid) + nearer_db(sources, *names)
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


def _near_noise(captures: list[Capture], at_hz: float) -> tuple[str, ...]:
    return tuple(dict.fromkeys(f for one in captures for f in noise_flags(one, at_hz)))
