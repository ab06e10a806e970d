"""What a gain rests on, from the bench file and the captures' own noise."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np

from benchd.bench import Antenna, Bench, PassiveFixture, Route, SwitchInstrument
from benchd.engine.knowledge import independent_samples
from benchd.reduce.knowledge import GainKnowledge, Known
from benchd.reduce.noise import reading_standard_db
from benchd.traces import Capture


def gain_knowledge(
    bench: Bench, test: Capture, known_antenna: Antenna, name: str, at_hz: float
) -> GainKnowledge:
    """What a gain measured on the route of `test` rests on at one frequency.

    known_antenna, name: the antenna of stated gain, whose error is the same in every gain that
    was measured against it.
    """
    route = bench.routes[test.route]
    known = GainKnowledge(noise_sd_db=Known(_noise_sd_db(test)))
    if known_antenna.reference is not None:
        # The budget takes an expanded uncertainty with k = 2; the bench file may state another.
        expanded_db = known_antenna.reference.uncertainty_db * (
            2.0 / known_antenna.reference.coverage_factor
        )
        known = replace(
            known,
            reference_gain_expanded_db=Known(expanded_db, source=f"gain of {name}"),
        )
    known = _with_box(known, bench, at_hz)
    analyzer = bench.analyzer_of(route)
    if analyzer.linearity_db is not None:
        known = replace(known, linearity_db=Known(analyzer.linearity_db, source="linearity"))
    match_db = _port_match_db(bench, route)
    if match_db is not None:
        known = replace(known, port_match_db=Known(match_db))
    spread_db = _connection_spread_db(bench, route)
    if spread_db is not None:
        known = replace(known, cable_sd_db=Known(spread_db))
    return known


def _with_box(known: GainKnowledge, bench: Bench, at_hz: float) -> GainKnowledge:
    box = bench.box
    if box is None:
        return known
    if box.range_length_m is not None:
        known = replace(known, range_m=box.range_length_m)
    if box.range_tolerance_m is not None:
        known = replace(known, range_offset_m=Known(box.range_tolerance_m))
    if box.gain_spread_db is not None:
        known = replace(known, box_sd_db=Known(box.gain_spread_db.at(at_hz)))
    elif box.reflectivity_db is not None:
        # One wall ray of relative amplitude p changes a level by 20 lg|1 + p e^(ja)|, whose
        # standard deviation over the phase is 8.686 p/sqrt(2) for small p; two antennas stand
        # in two places, so twice in quadrature.
        ray = 10.0 ** (box.reflectivity_db.at(at_hz) / 20.0)
        known = replace(known, box_sd_db=Known(20.0 / math.log(10.0) * ray))
    return known


def _noise_sd_db(capture: Capture) -> float:
    """Standard deviation of one level of the capture, from its distance to its own noise."""
    scatter = next((trace for trace in capture.traces if trace.name == "scatter"), None)
    if scatter is not None:
        repeats = max(1, int(capture.settings["average"]))
        return float(np.sqrt(np.mean(np.real(scatter.values) ** 2) / repeats))
    noise = next((trace for trace in capture.traces if trace.name == "noise"), None)
    if noise is None:
        return 0.1
    distance_db = float(np.median(np.real(capture.level.values)) - np.mean(np.real(noise.values)))
    detector = "rms" if capture.settings.get("detector") == "rms" else "log-average"
    return reading_standard_db(max(distance_db, 0.0), detector, independent_samples(capture))


def _parts(bench: Bench, elements: list[str]) -> list[PassiveFixture | SwitchInstrument]:
    found = []
    for element in elements:
        name = element.partition(".")[0]
        part = bench.fixtures.get(name) or bench.instruments.get(name)
        if isinstance(part, PassiveFixture | SwitchInstrument):
            found.append(part)
    return found


def _port_match_db(bench: Bench, route: Route) -> float | None:
    """What the far antenna sees: the match of everything behind it, voltages added in power.

    Losses on the way are left out, which makes the match worse than it is.
    """
    matches = [part.match_db for part in _parts(bench, route.back)]
    matches.append(bench.analyzer_of(route).match_db)
    stated = [match for match in matches if match is not None]
    if not stated:
        return None
    return float(-10.0 * np.log10(np.sum(10.0 ** (-np.array(stated) / 10.0))))


def _connection_spread_db(bench: Bench, route: Route) -> float | None:
    """Spread of one connection: every part whose repeatability is stated."""
    sizes = [part.repeatability_db for part in _parts(bench, route.back)]
    stated = [size for size in sizes if size is not None]
    return float(np.hypot.reduce(stated)) if stated else None
