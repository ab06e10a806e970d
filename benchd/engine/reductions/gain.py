"""`gain`: a pair of captures, or a range of known gain, to the gain of an antenna."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import numpy as np

from benchd.bench import Antenna
from benchd.engine.gain_knowledge import gain_knowledge
from benchd.engine.gathering import Sources, baselines, inputs, newest_test_of
from benchd.engine.reductions.outcome import Outcome, finished
from benchd.engine.reductions.reflection import normalised_reflection
from benchd.errors import NormalisationRefused, ReductionRefused
from benchd.recipe.worksheet import ReduceStep
from benchd.reduce.absolute import Transmission, range_antenna_result
from benchd.reduce.compatibility import description, require_fit
from benchd.reduce.decibels import mismatch_loss_db
from benchd.reduce.knowledge import Known
from benchd.reduce.normalise import onto_grid
from benchd.reduce.transfer import (
    ASSUMED_GAMMA,
    Substitution,
    over_band,
    substitution_results,
)
from benchd.results import Result
from benchd.traces import Capture, FloatArray, Form, Trace

AtFrequency = Callable[[float], list[Result]]


def reduce_gain(sources: Sources, step: ReduceStep) -> Outcome:
    """Realised gain at the frequencies asked for and over the band; gain where the antenna's
    reflection is known. Raises NormalisationRefused, ReductionRefused.
    """
    captures = inputs(sources, step)
    tests = _all(captures, "test")
    if step.options["method"] == "substitution":
        others = _all(captures, "reference")
    else:
        others = _all(captures, "thru")
    for other in (*others, *tests[1:]):
        require_fit(
            description(other),
            description(tests[0]),
            max_age_s=None,
            other_grid=step.interpolate,
            where=step.label,
        )
    matches = {name: _match(sources, step, tests[0], name) for name in _antennas(step)}
    used = [*tests, *others, *(c for _, found in matches.values() for c in found)]
    if step.options["method"] == "substitution":
        at = _by_substitution(sources, step, tests, others, matches)
    else:
        at = _by_range_antenna(sources, step, tests, others, matches)
    return _outcome(step, tests[0], used, at)


def _all(captures: dict[str, Capture], key: str) -> list[Capture]:
    """The captures of one input in order: key, key_2, key_3."""
    return [c for name, c in captures.items() if name == key or name.startswith(f"{key}_")]


def _antennas(step: ReduceStep) -> list[str]:
    options = step.options
    known = options.get("reference_antenna") or options.get("range_antenna")
    return [str(options["antenna"]), str(known)]


def _known_antenna(sources: Sources, step: ReduceStep) -> tuple[str, Antenna]:
    name = _antennas(step)[1]
    return name, sources.bench.antennas[name]


def _mean_level(captures: list[Capture], grid: FloatArray) -> FloatArray:
    """Mean in dB of the levels; over reference, test, reference a linear drift cancels."""
    levels = [
        onto_grid(c.level.frequency_hz, np.real(c.level.values).astype(float), grid)
        for c in captures
    ]
    return np.asarray(np.mean(levels, axis=0), dtype=float)


Match = tuple[FloatArray | None, list[Capture]]


def _match(sources: Sources, step: ReduceStep, test: Capture, name: str) -> Match:
    """Reflection magnitude of an antenna over the grid of `test`, and the captures it is from.

    By `match: newest` the newest stored reflection that its own baselines fit; else the return
    loss that the bench file states for a reference antenna; else None.
    """
    grid = test.level.frequency_hz
    if step.options["match"] == "newest":
        for row in newest_test_of(sources, name, before=test, route_kind="reflection"):
            capture = row.load()
            lookup = step.model_copy(
                update={"baseline": {"open": "newest", "short": "newest"}, "interpolate": False}
            )
            try:
                found = baselines(sources, lookup, capture)
                ratio = normalised_reflection(capture, found, interpolate=False)
                ratio_db = onto_grid(ratio.frequency_hz, np.real(ratio.values), grid)
            except NormalisationRefused:
                continue
            return 10.0 ** (ratio_db / 20.0), [capture, *found.values()]
        raise ReductionRefused(
            f'there is no stored reflection of "{name}" over this band with baselines that fit',
            where=step.label,
            advice="Measure its return loss first, or set match: none.",
        )
    antenna = sources.bench.antennas[name]
    if antenna.reference is not None and antenna.reference.return_loss_db is not None:
        return 10.0 ** (-antenna.reference.return_loss_db.over(grid) / 20.0), []
    return None, []


def _by_substitution(
    sources: Sources,
    step: ReduceStep,
    tests: list[Capture],
    references: list[Capture],
    matches: dict[str, Match],
) -> AtFrequency:
    name, antenna = _known_antenna(sources, step)
    data = antenna.reference
    assert data is not None, "the recipe was resolved with a reference antenna that has a gain"
    grid = tests[0].level.frequency_hz
    tested = str(step.options["antenna"])
    sizes = (sources.bench.antennas[tested].largest_dimension_m, antenna.largest_dimension_m)
    pair = Substitution(
        frequency_hz=grid,
        test_dbm=_mean_level(tests, grid),
        reference_dbm=_mean_level(references, grid),
        reference_gain_dbi=data.gain_dbi.over(grid),
        test_gamma=matches[tested][0],
        reference_gamma=matches[name][0],
        reference_is_realised=data.gain_is == "realised",
        largest_dimensions_m=sizes,
    )

    def at(frequency_hz: float) -> list[Result]:
        known = gain_knowledge(sources.bench, tests[0], antenna, name, frequency_hz)
        return list(substitution_results(pair, [frequency_hz], known))

    return at


def _by_range_antenna(
    sources: Sources,
    step: ReduceStep,
    tests: list[Capture],
    thrus: list[Capture],
    matches: dict[str, Match],
) -> AtFrequency:
    name, antenna = _known_antenna(sources, step)
    data = antenna.reference
    assert data is not None, "the recipe was resolved with a range antenna that has a gain"
    grid = tests[0].level.frequency_hz
    tested = str(step.options["antenna"])
    received, thru = _mean_level(tests, grid), _mean_level(thrus, grid)
    sizes = (sources.bench.antennas[tested].largest_dimension_m, antenna.largest_dimension_m)

    def gamma(antenna_name: str, frequency_hz: float) -> Known:
        values = matches[antenna_name][0]
        if values is None:
            return Known(ASSUMED_GAMMA, assumed=True)
        return Known(float(np.interp(frequency_hz, grid, values)))

    def at(frequency_hz: float) -> list[Result]:
        known = gain_knowledge(sources.bench, tests[0], antenna, name, frequency_hz)
        one = Transmission(
            frequency_hz=frequency_hz,
            received_dbm=float(np.interp(frequency_hz, grid, received)),
            thru_dbm=float(np.interp(frequency_hz, grid, thru)),
            gammas=(gamma(name, frequency_hz), gamma(tested, frequency_hz)),
        )
        range_gain = data.gain_dbi.at(frequency_hz)
        if data.gain_is == "gain":
            range_gain -= mismatch_loss_db(gamma(name, frequency_hz).value)
        return [range_antenna_result(one, range_gain, known, sizes)]

    return at


def _outcome(step: ReduceStep, test: Capture, used: list[Capture], at: AtFrequency) -> Outcome:
    options: dict[str, Any] = step.options
    low_hz, high_hz = options["band_hz"]
    grid = test.level.frequency_hz
    inside = grid[(grid >= low_hz) & (grid <= high_hz)]
    points = [at(float(frequency_hz)) for frequency_hz in inside]
    results = [result for frequency_hz in options["at_hz"] for result in at(frequency_hz)]
    traces: list[Trace] = []
    for quantity in dict.fromkeys(result.quantity for result in points[0]):
        curve = [r for found in points for r in found if r.quantity == quantity]
        results += over_band(curve, (low_hz, high_hz))
        traces += _curves(quantity, inside, curve)
    return finished(step, options["antenna"], used, results, traces)


def _curves(quantity: str, grid: FloatArray, curve: list[Result]) -> list[Trace]:
    def trace(name: str, values: list[float | None]) -> Trace:
        return Trace(name, Form.RATIO_DB, grid, np.array(values, dtype=float))

    return [
        trace(quantity, [result.value for result in curve]),
        trace(f"{quantity}/low", [result.low for result in curve]),
        trace(f"{quantity}/high", [result.high for result in curve]),
    ]
