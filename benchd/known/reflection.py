"""The inputs of a return loss's uncertainty, from bench file, qualification and captures' noise.

A value that the bench file does not state is the documented default of
`benchd.reduce.budget_inputs`. The result is then flagged `assumed-term`.
"""

from __future__ import annotations

import functools
import math
from collections.abc import Callable, Mapping
from dataclasses import replace
from typing import Any

import numpy as np

from benchd.bench import Bench, CouplerFixture, PassiveFixture, SwitchInstrument
from benchd.known.archive import Archive
from benchd.known.carrier_levels import (
    carrier_trace,
    harmonics,
    independent_samples,
    law,
    noise_floor_sd_db,
    noise_power_dbm,
    scale_of,
    seen_sd_db,
)
from benchd.known.level_drift import drift_db
from benchd.known.qualification_results import (
    DIRECTIVITY,
    JOINT,
    REPEATABILITY,
    SOURCE_MATCH,
    newest,
    newest_curve,
)
from benchd.reduce.budget_inputs import BaselineKind, Known, ReflectionKnowledge
from benchd.reduce.decibels import (
    free_space_path_loss_db,
    gamma_from_return_loss,
    ratio_from_db,
    return_loss_from_gamma,
)
from benchd.traces import Capture
from benchd.units import HALF_WAVE_DIPOLE_GAIN_DBI

STATED_LEAK_FREEDOM = 50.0
"""Degrees of freedom (nu) of a directivity or source match that the bench file states.

They stand for a size that is known to 10 % (1/sqrt(2 nu), JCGM 100, E.4.3), which is 0.9 dB. Half
of that is the uncertainty of a measurement with a sliding load. The rest is how much a leak varies
between the frequencies that were measured (common practice, no source; the coverage study,
docs/coverage.md, shows that this is needed and is enough)."""


def _stated(size_db: float) -> Known:
    return Known(size_db, degrees_of_freedom=STATED_LEAK_FREEDOM)


def reflection_knowledge(
    bench: Bench,
    test: Capture,
    baselines: Mapping[str, Capture],
    archive: Archive | None = None,
    *,
    free_space: bool = False,
) -> ReflectionKnowledge:
    """The inputs of the budget of a return loss on the route of `test`, over the band of its sweep.

    archive: where qualification results of this bench are looked up. They go before the bench file.
    free_space: True if the result is to hold for the antenna without the box; then the echo of the
        walls is an error and is part of the budget.
    """
    route = bench.routes[test.route]
    grid = test.level.frequency_hz
    low_hz, high_hz = float(grid[0]), float(grid[-1])
    ids = sorted(one.id for one in baselines.values())
    known = ReflectionKnowledge(
        baseline=_baseline_kind(baselines),
        baseline_source=f"baseline {' '.join(ids)}" if ids else "",
    )
    for element in route.out:
        fixture = bench.fixtures.get(element.partition(".")[0])
        if isinstance(fixture, CouplerFixture):
            known = replace(
                known, directivity_db=_stated(fixture.directivity_db.least(low_hz, high_hz))
            )
            if fixture.source_match_db is not None:
                match_db = fixture.source_match_db.least(low_hz, high_hz)
                known = replace(known, source_match_db=_stated(match_db))
    analyzer = bench.analyzer_of(route)
    if analyzer.linearity_db is not None:
        scale = Known(analyzer.linearity_db, source=scale_of(test, route.analyzer))
        known = replace(known, linearity_db=scale)
    known = replace(known, harmonics=harmonics(bench, route))
    connector_db = _changed_joint_db(bench, test)
    if connector_db is not None:
        known = replace(known, connector_sd_db=Known(connector_db))
    known = replace(known, joint_gamma_sd=joint_reflection(bench, route.out, low_hz, high_hz))
    delay_s = _delay_after_coupler_s(bench, route.out)
    if delay_s is not None:
        known = replace(known, line_delay_s=Known(delay_s))
    accuracy_ppm = _frequency_accuracy_ppm(bench, test)
    if accuracy_ppm is not None:
        known = replace(known, frequency_error=Known(accuracy_ppm * 1e-6))
    antenna = bench.antennas.get(test.antenna or "")
    if antenna is not None:
        known = replace(known, coupling=antenna.coupling)
    known = _with_drift(known, bench, test, baselines)
    known = _with_qualification(known, archive, test)
    if free_space:
        known = replace(known, wall_gamma=wall_echo(bench, test.antenna, low_hz, high_hz))
    return _with_noise(known, test, baselines)


def coupler_over_frequency(
    known: ReflectionKnowledge, bench: Bench, test: Capture, archive: Archive | None = None
) -> Callable[[float], ReflectionKnowledge]:
    """A function that gives the same inputs with directivity and source match at one frequency, Hz.

    A leak is the sum of the coupler's own and of the reflections of every joint behind it, and it
    changes fast with frequency. With the worst value of the sweep most intervals would be too wide.
    With one average value they would be too narrow wherever the leak is greater. Values that a
    qualification measured go before stated ones.
    """
    qualified = (DIRECTIVITY, SOURCE_MATCH, JOINT)
    measured = {name: newest_curve(archive, name, test) for name in qualified}
    out = bench.routes[test.route].out
    names = [element.partition(".")[0] for element in out]
    couplers = [
        fixture for fixture in map(bench.fixtures.get, names) if isinstance(fixture, CouplerFixture)
    ]

    @functools.cache  # asked at the same frequencies by one quantity after the other
    def at(at_hz: float) -> ReflectionKnowledge:
        found: dict[str, Any] = {
            "dynamic_range_db": _range_at(known, at_hz),
            "leak_band_hz": _told_together(couplers, test, at_hz),
        }
        for coupler in couplers:
            found["directivity_db"] = _stated(coupler.directivity_db.at(at_hz))
            if coupler.source_match_db is not None:
                found["source_match_db"] = _stated(coupler.source_match_db.at(at_hz))
        directivity, match = measured[DIRECTIVITY], measured[SOURCE_MATCH]
        line = known.line_delay_s
        if match is not None and match.covers(at_hz, at_hz):
            found["source_match_db"] = match.leak_near(at_hz, line)[0]
        if directivity is not None and directivity.covers(at_hz, at_hz):
            found["directivity_db"], found["leak_band_hz"] = directivity.leak_near(at_hz, line)
        joint = measured[JOINT]
        if joint is not None and joint.covers(at_hz, at_hz):
            found["joint_gamma_sd"] = _along_one_direction(joint.at(at_hz))
        else:
            found["joint_gamma_sd"] = joint_reflection(bench, out, at_hz, at_hz)
        return replace(known, **found)

    return at


def _range_at(known: ReflectionKnowledge, at_hz: float) -> Known | None:
    """The baseline over the noise at one frequency, Hz."""
    everywhere = known.dynamic_range_db
    if everywhere is None or known.dynamic_range_along is None:
        return everywhere
    return replace(everywhere, value=float(np.interp(at_hz, *known.dynamic_range_along)))


EFFECTIVE_OVER = 0.15
"""A leak that is stated as one number is an average over a band: over the sweep, but at least over
this fraction to each side, since a coupler is not measured for one narrow sweep (common practice,
no source)."""


def _told_together(
    couplers: list[CouplerFixture], test: Capture, at_hz: float
) -> tuple[float, float]:
    """The band that one stated leak stands for. In a table it reaches halfway to the neighbouring
    frequencies on both sides."""
    grid = test.level.frequency_hz
    low_hz = min(float(grid[0]), at_hz * (1.0 - EFFECTIVE_OVER))
    high_hz = max(float(grid[-1]), at_hz * (1.0 + EFFECTIVE_OVER))
    stated = np.array(couplers[-1].directivity_db.frequency_hz if couplers else ())
    if stated.size < 2 or not stated[0] <= at_hz <= stated[-1]:
        return low_hz, high_hz
    right = int(np.clip(np.searchsorted(stated, at_hz), 1, stated.size - 1))
    half_hz = float(stated[right] - stated[right - 1]) / 2.0
    return max(low_hz, at_hz - half_hz), min(high_hz, at_hz + half_hz)


def _frequency_accuracy_ppm(bench: Bench, test: Capture) -> float | None:
    """Frequency accuracy (ppm) of the instrument that sets the frequency: of the source in a
    stepped sweep, of the analyzer in others."""
    route = bench.routes[test.route]
    steps = test.settings.method == "stepped"
    found = getattr(
        bench.instruments[route.source if steps else route.analyzer], "frequency_accuracy_ppm", None
    )
    return None if found is None else float(found)


def _with_drift(
    known: ReflectionKnowledge, bench: Bench, test: Capture, baselines: Mapping[str, Capture]
) -> ReflectionKnowledge:
    """The inputs, with the drift between the oldest of the baselines and the capture filled in."""
    drifts = [drift_db(bench, test.route, one, test) for one in baselines.values()]
    stated = [one for one in drifts if one is not None]
    if not stated:
        return known
    return replace(known, drift_db=max(stated, key=lambda one: one.value))


def _with_qualification(
    known: ReflectionKnowledge, archive: Archive | None, test: Capture
) -> ReflectionKnowledge:
    """The inputs, with stated values replaced by what a qualification measured of these parts."""
    directivity = newest(archive, DIRECTIVITY, test)
    if directivity is not None:
        known = replace(known, directivity_db=directivity)
    match = newest(archive, SOURCE_MATCH, test)
    if match is not None:
        known = replace(known, source_match_db=match)
    joint = newest(archive, JOINT, test)
    if joint is not None:
        known = replace(known, joint_gamma_sd=_along_one_direction(joint))
    spread = newest(archive, REPEATABILITY, test)
    return known if spread is None else replace(known, connector_sd_db=spread)


WALLS = 4
"""Number of walls that an antenna at the middle of the box may face at right angles."""


def wall_echo(bench: Bench, antenna: str | None, low_hz: float, high_hz: float) -> Known:
    """Largest reflection (linear) that an antenna sees because its own wave returns from the walls.

    The `echo` of the box is used where the bench file states it. Else it is estimated, and flagged
    as assumed. With l the smallest inner dimension, the nearest wall is l/2 away and acts as a
    mirror image of the antenna at the distance l. From there the antenna receives the amplitude
    G lambda/(4 pi l) (Friis; IEEE Std 145 terms, from memory), times the reflection of the wall.
    That is the stated `reflectivity`, or -12 dB without it. The waves of four walls may add in
    phase.
    """
    box = bench.box
    if box is not None and box.echo_db is not None:
        return Known(float(ratio_from_db(box.echo_db.most(low_hz, high_hz))))
    known = bench.antennas.get(antenna or "")
    gain_dbi = HALF_WAVE_DIPOLE_GAIN_DBI
    if known is not None and known.reference is not None:
        gain_dbi = known.reference.gain_dbi.most(low_hz, high_hz)
    least_m = min(box.inside_m) if box is not None else 0.4
    wall_db = -12.0
    if box is not None and box.reflectivity_db is not None:
        wall_db = box.reflectivity_db.most(low_hz, high_hz)
    path_db = free_space_path_loss_db(low_hz, least_m)
    one = float(ratio_from_db(wall_db)) * 10.0 ** ((2.0 * gain_dbi - path_db) / 20.0)
    return Known(min(1.0, WALLS * one), assumed=True)


def _baseline_kind(baselines: Mapping[str, Capture]) -> BaselineKind:
    if {"open", "short"} <= set(baselines):
        return "open-and-short"
    return "open" if "open" in baselines else "short"


def _changed_joint_db(bench: Bench, test: Capture) -> float | None:
    """Standard deviation (dB) from what was switched or joined again between baseline and test.

    It is the root of the sum of squares of the stated repeatabilities of all parts on the way to
    the antenna: of the switch, if one is used, and of the cables' connectors. None if the bench
    file states none of them.
    """
    route = bench.routes[test.route]
    sizes: list[float] = []
    known = False
    for element in route.out:
        name = element.partition(".")[0]
        part = bench.fixtures.get(name) or bench.instruments.get(name)
        size = (
            part.repeatability_db if isinstance(part, PassiveFixture | SwitchInstrument) else None
        )
        if size is not None:
            known = True
            sizes.append(size)
    return float(np.hypot.reduce(sizes)) if known else None


def joint_reflection(bench: Bench, out: list[str], low_hz: float, high_hz: float) -> Known:
    """Change (linear) of the reflections of the joints behind the coupler after reconnecting.

    Only the part in phase with the antenna's reflection counts. A reflection of random phase has
    half of its mean square along any one direction. The joints that the bench file states are used;
    without any, a default.
    """
    stated = [
        fixture.reflection_repeatability_db.least(low_hz, high_hz)
        for fixture in (bench.fixtures.get(element.partition(".")[0]) for element in out)
        if fixture is not None and fixture.reflection_repeatability_db is not None
    ]
    if not stated:
        return ReflectionKnowledge().joint_gamma_sd
    together = float(np.hypot.reduce([gamma_from_return_loss(size_db) for size_db in stated]))
    return _along_one_direction(Known(float(return_loss_from_gamma(together))))


def _along_one_direction(joint_db: Known) -> Known:
    """Standard deviation (linear) along one direction, from a root mean square in dB below a full
    reflection."""
    return replace(joint_db, value=float(gamma_from_return_loss(joint_db.value)) / math.sqrt(2.0))


def _delay_after_coupler_s(bench: Bench, out: list[str]) -> float | None:
    """One-way delay from coupler to port, s: the sum of the delays that are stated."""
    delays = []
    behind = False
    for element in out:
        name = element.partition(".")[0]
        fixture = bench.fixtures.get(name)
        if isinstance(fixture, CouplerFixture):
            behind = True
        elif behind and isinstance(fixture, PassiveFixture) and fixture.delay_s is not None:
            delays.append(fixture.delay_s)
    return sum(delays) if delays else None


def _with_noise(
    known: ReflectionKnowledge, test: Capture, baselines: Mapping[str, Capture]
) -> ReflectionKnowledge:
    """The inputs, with the noise of the captures: as read with RF off, by scatter or roughness."""
    if not baselines:
        return known
    seen = [one for one in map(seen_sd_db, (test, *baselines.values())) if one is not None]
    if len(seen) == 1 + len(baselines):
        # The baseline is a mean over the standards: one capture each of open and short.
        rest = float(np.hypot.reduce([one.value for one in seen[1:]])) / len(baselines)
        total = float(np.hypot(seen[0].value, rest))
        known = replace(
            known, noise_sd_db=Known(total, degrees_of_freedom=seen[0].degrees_of_freedom)
        )
    noise_dbm, detector = noise_power_dbm(test), law(test)
    if noise_dbm is None or detector is None:
        return known
    grid = test.level.frequency_hz
    traces = [carrier_trace(one) for one in baselines.values()]
    level_dbm = np.mean([np.interp(grid, one.frequency_hz, one.decibels) for one in traces], axis=0)
    return replace(
        known,
        dynamic_range_db=Known(float(level_dbm.mean()) - noise_dbm),
        dynamic_range_along=(grid, level_dbm - noise_dbm),
        noise_floor_sd_db=Known(noise_floor_sd_db(test)),
        detector=detector,
        independent_samples=independent_samples(test),
    )
