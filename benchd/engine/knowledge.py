"""From the bench file and the captures' own noise to what a reduction may take for known.

A size that the bench file states is knowledge; one that it does not state stays the documented
default of `benchd.reduce.knowledge`, and the result says so (`assumed-term`).
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace

import numpy as np

from benchd.bench import Bench, CouplerFixture, PassiveFixture, SwitchInstrument
from benchd.reduce.knowledge import BaselineKind, Known, ReflectionKnowledge
from benchd.traces import Capture


def reflection_knowledge(
    bench: Bench, test: Capture, baselines: Mapping[str, Capture]
) -> ReflectionKnowledge:
    """What a return loss on the route of `test` rests on, over the band of its sweep."""
    route = bench.routes[test.route]
    grid = test.level.frequency_hz
    low_hz, high_hz = float(grid[0]), float(grid[-1])
    known = ReflectionKnowledge(baseline=_baseline_kind(baselines))
    for element in route.out:
        fixture = bench.fixtures.get(element.partition(".")[0])
        if isinstance(fixture, CouplerFixture):
            known = replace(
                known, directivity_db=Known(fixture.directivity_db.least(low_hz, high_hz))
            )
            if fixture.source_match_db is not None:
                match_db = fixture.source_match_db.least(low_hz, high_hz)
                known = replace(known, source_match_db=Known(match_db))
    analyzer = bench.analyzer_of(route)
    if analyzer.linearity_db is not None:
        known = replace(known, linearity_db=Known(analyzer.linearity_db, source="linearity"))
    connector_db = _changed_joint_db(bench, test, baselines)
    if connector_db is not None:
        known = replace(known, connector_sd_db=Known(connector_db))
    delay_s = _delay_after_coupler_s(bench, route.out)
    if delay_s is not None:
        known = replace(known, line_delay_s=Known(delay_s))
    return _with_noise(known, test, baselines)


def _baseline_kind(baselines: Mapping[str, Capture]) -> BaselineKind:
    if {"open", "short"} <= set(baselines):
        return "open-and-short"
    return "open" if "open" in baselines else "short"


def _changed_joint_db(
    bench: Bench, test: Capture, baselines: Mapping[str, Capture]
) -> float | None:
    """Spread of what was joined or switched anew between baseline and test, dB (sd).

    By switch: the repeatability of the switch and of the cables alike on its throws. By hand:
    the repeatability of the last cable's connector. None where the bench file does not say.
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


def _delay_after_coupler_s(bench: Bench, out: list[str]) -> float | None:
    """One-way delay from coupler to port, as far as it is stated."""
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
    """Noise as the captures themselves show it: the readings taken with RF off."""
    noise = next((trace for trace in test.traces if trace.name == "noise"), None)
    if noise is None or not baselines:
        return known
    level_dbm = np.mean([np.mean(np.real(one.level.values)) for one in baselines.values()])
    noise_dbm = float(np.mean(np.real(noise.values)))
    return replace(
        known,
        dynamic_range_db=Known(float(level_dbm) - noise_dbm),
        detector="rms" if test.settings.get("detector") == "rms" else "log-average",
        independent_samples=independent_samples(test),
    )


def independent_samples(capture: Capture) -> float:
    """How many independent readings one point averages: bandwidth times dwell, times repeats.

    A filter of bandwidth B forgets within about 1/B (sampling of band-limited noise; common
    practice, no source).
    """
    settings = capture.settings
    per_dwell = settings["resolution_bandwidth_hz"] * settings["dwell_s"]
    return float(max(1.0, per_dwell) * settings["average"])
