"""The stated intervals of benches of foreign make, each held against its truth."""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from typing import Any

import numpy as np
from scipy.interpolate import CubicSpline

from benchd.reduce.resonance import ANOTHER_DIP
from benchd.results import Result
from tests.coverage_study.foreign import Foreign, drawn_foreign, generator, results
from tests.coverage_study.study import ONE_END, WORST, Line, reads_near, worst_line

BAND_DB = 10.0
NO_DIP = "no_resonance"
"""Held where nothing is told as a resonance of an antenna that has none in the sweep."""


def foreign_lines_of(seed: int) -> list[Line]:
    """Every stated interval of one bench of foreign make."""
    one = drawn_foreign(seed)
    low_hz, high_hz = one.antenna.sweep_hz
    at_hz = [low_hz + share * (high_hz - low_hz) for share in (0.2, 0.4, 0.6, 0.8)]
    true = one.antenna.dips()
    if true:
        at_hz.append(true[0][0])
    middle_hz, width_hz = _band_of_worst(one)
    ends_hz = middle_hz - width_hz / 2.0, middle_hz + width_hz / 2.0
    found = results(one, at_hz, band_hz={"least": ends_hz[0], "most": ends_hz[1]})
    worst = [result for result in found if result.quantity in WORST]
    truth = float(np.abs(one.antenna.gamma(np.linspace(*ends_hz, 4001))).max())
    return [
        *at_frequencies(one, found),
        *_of_dips(one, found, true),
        *_of_band(one, found),
        *(worst_line(one.seed, each, float(-20.0 * np.log10(truth)), "foreign") for each in worst),
    ]


def _band_of_worst(one: Foreign) -> tuple[float, float]:
    """Middle and width of a band inside the sweep, a tenth to six tenths of it wide, Hz."""
    low_hz, high_hz = one.antenna.sweep_hz
    rng = generator(one.seed, 6)
    width_hz = float((high_hz - low_hz) * rng.uniform(0.1, 0.6))
    return float(rng.uniform(low_hz + width_hz / 2.0, high_hz - width_hz / 2.0)), width_hz


def region_of(one: Foreign) -> str:
    """The kind of antenna, or what makes the bench hard."""
    if one.low_level:
        return "foreign, low level"
    if one.rippling:
        return "foreign, rippling leak"
    return f"foreign, {one.antenna.kind}"


def _line(one: Foreign, quantity: str, region: str, result: Result, truth: float) -> Line:
    low, high = result.low, result.high
    held = (low is None or low <= truth) and (high is None or truth <= high)
    return Line(
        one.seed, quantity, region, held, result.value, low, high, truth, result.flags,
        result.frequency_hz,
    )  # fmt: skip


def at_frequencies(one: Foreign, found: Iterable[Result]) -> Iterator[Line]:
    """Return losses and VSWRs."""
    for result in found:
        at_hz = result.frequency_hz
        if result.quantity not in ("return_loss", "vswr") or at_hz is None:
            continue
        gamma = float(np.abs(one.antenna.gamma(np.array([at_hz]))[0]))
        true_db = float(-20.0 * np.log10(gamma))
        leak = np.abs(one.bench.terms(one.antenna.fine_hz)[0])
        effective_db = float(-10.0 * np.log10(np.mean(leak**2)))
        region = region_of(one)
        if result.low is None or result.high is None:
            region = ONE_END
        elif reads_near(result, effective_db):
            region = "foreign, near directivity"
        true = true_db if result.quantity == "return_loss" else (1.0 + gamma) / (1.0 - gamma)
        yield _line(one, result.quantity, region, result, true)


def _of_dips(
    one: Foreign, found: tuple[Result, ...], true: list[tuple[float, float]]
) -> Iterator[Line]:
    named = [one for one in found if one.quantity == "resonance_frequency"]
    others = [one for one in found if one.quantity == "further_resonance_frequency"]
    told = [result for result in (*named, *others) if result.low is not None]
    if not true:
        count = next(result for result in found if result.quantity == "resonance_count")
        yield Line(one.seed, NO_DIP, "foreign", not told, count.value, None, None, 0.0, count.flags)
        return
    deepest_hz = true[0][0]
    for result in named:
        if result.low is None:
            continue
        if ANOTHER_DIP in result.flags:
            # It says itself that another may be meant: one of those told has to be the deepest.
            result = min(told, key=lambda some: abs(some.value - deepest_hz))
        yield _line(one, "resonance_frequency", region_of(one), result, deepest_hz)
    for result in others:
        nearest_hz = min((at_hz for at_hz, _ in true), key=lambda at: abs(at - result.value))
        yield _line(one, "further_resonance_frequency", "foreign", result, nearest_hz)


def _of_band(one: Foreign, found: tuple[Result, ...]) -> Iterator[Line]:
    named = [one for one in found if one.quantity == "resonance_frequency"]
    if named and one.antenna.dips():
        yield from of_band(one, found, named[0].value)


def of_band(one: Foreign, found: Iterable[Result], around_hz: float) -> Iterator[Line]:
    """Bands and their edges around a dip that was found."""
    edges = _true_edges(one, around_hz)
    for result in found:
        if not result.quantity.startswith("bandwidth") or result.low is None or edges is None:
            continue
        if result.high is None:
            continue
        region = "foreign, near noise" if "near-noise" in result.flags else region_of(one)
        low_hz, high_hz = edges
        truth = {
            "bandwidth": high_hz - low_hz,
            "bandwidth_low_edge": low_hz,
            "bandwidth_high_edge": high_hz,
        }
        yield _line(one, result.quantity, region, result, truth[result.quantity])


def _true_edges(one: Foreign, around_hz: float) -> tuple[float, float] | None:
    """Where the true return loss crosses the level, outwards from the dip that is meant."""
    f = one.antenna.fine_hz
    above: Any = -20.0 * np.log10(np.abs(one.antenna.gamma(f))) - BAND_DB
    near = min((at for at, _ in one.antenna.dips()), key=lambda at: abs(at - around_hz))
    centre = int(np.argmin(np.abs(f - near)))
    if above[centre] <= 0.0:
        return None
    curve = CubicSpline(f, above).solve(0.0, extrapolate=False)
    low, high = curve[curve < f[centre]], curve[curve > f[centre]]
    return (float(low[-1]), float(high[0])) if low.size and high.size else None
