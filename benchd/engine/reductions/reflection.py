"""`reflection`: captures of an antenna and of open and short, to return loss and what follows."""

from __future__ import annotations

from typing import Any

import numpy as np

from benchd.engine.gathering import Sources, baselines, inputs
from benchd.engine.knowledge import reflection_knowledge
from benchd.engine.reductions.outcome import Outcome, finished
from benchd.errors import ReductionRefused
from benchd.recipe.worksheet import ReduceStep
from benchd.reduce.bandwidth import band_results
from benchd.reduce.decibels import return_loss_from_gamma
from benchd.reduce.knowledge import ReflectionKnowledge
from benchd.reduce.normalise import normalised
from benchd.reduce.reflection import reflection_at, reflection_results
from benchd.reduce.resonance import resonance, resonance_results
from benchd.reduce.trim import trim
from benchd.results import Result
from benchd.traces import Capture, Form, Trace

INTERVAL_POINTS = 41
"""Points at which the interval of the curve is worked out; straight lines join them."""


def reduce_reflection(sources: Sources, step: ReduceStep) -> Outcome:
    """Return loss, VSWR, reflection magnitude and mismatch loss where asked for; resonance,
    Q, bandwidth; trim advice where the bench file tells what a trim would change.

    Raises NormalisationRefused, ReductionRefused.
    """
    test = inputs(sources, step)["test"]
    found = baselines(sources, step, test)
    known = reflection_knowledge(sources.bench, test, found)
    ratio = normalised_reflection(test, found, interpolate=step.interpolate)
    frequency_hz, ratio_db = ratio.frequency_hz, np.real(ratio.values)
    options = step.options
    results = list(reflection_results(frequency_hz, ratio_db, options["at_hz"], known))
    results += _resonance_and_band(sources, frequency_hz, ratio_db, known, options)
    traces = [Trace("return_loss", Form.RATIO_DB, frequency_hz, -ratio_db)]
    traces += _interval(frequency_hz, ratio_db, known)
    return finished(step, options.get("antenna"), [test, *found.values()], results, traces)


def normalised_reflection(test: Capture, found: dict[str, Capture], *, interpolate: bool) -> Trace:
    """The level of `test` over its baseline, open first."""
    order = [found[role].level for role in ("open", "short") if role in found]
    return normalised(test.level, order, other_grid=interpolate)


def _resonance_and_band(
    sources: Sources,
    frequency_hz: Any,
    ratio_db: Any,
    known: ReflectionKnowledge,
    options: dict[str, Any],
) -> list[Result]:
    there = resonance(frequency_hz, ratio_db, known)
    results = list(resonance_results(there))
    # An antenna may be matched off its resonance; the band lies around where it is best.
    around_hz = float(np.clip(there.frequency_hz, frequency_hz[0], frequency_hz[-1]))
    results += band_results(frequency_hz, ratio_db, options["bandwidth_level_db"], around_hz, known)
    if options.get("vswr_limit") is not None:
        limit = options["vswr_limit"]
        level_db = return_loss_from_gamma((limit - 1.0) / (limit + 1.0))
        results += band_results(
            frequency_hz, ratio_db, level_db, around_hz, known, quantity="vswr_bandwidth"
        )
    antenna = sources.bench.antennas.get(options.get("antenna") or "")
    if antenna is not None and antenna.trim is not None:
        try:
            advice = trim(there, antenna.trim.arm_m, options["design_frequency_hz"])
        except ReductionRefused:
            pass  # no resonance in the band: the resonance's own flag says so
        else:
            results.append(advice.result)
    return results


def _interval(frequency_hz: Any, ratio_db: Any, known: ReflectionKnowledge) -> list[Trace]:
    """Ends of the 95 % interval of the return loss over the band.

    Where only a least return loss can be stated, the upper end stands at the value that the
    reading alone would give, since a plot needs an end.
    """
    picks = np.unique(
        np.linspace(0, frequency_hz.size - 1, min(INTERVAL_POINTS, frequency_hz.size)).astype(int)
    )
    low_db, high_db = [], []
    for pick in picks:
        point = reflection_at(frequency_hz, ratio_db, float(frequency_hz[pick]), known)
        low_db.append(float(return_loss_from_gamma(point.gamma_high)))
        least = point.gamma_low if point.gamma_low else 10.0 ** (ratio_db[pick] / 20.0)
        high_db.append(float(return_loss_from_gamma(least)))
    grid = frequency_hz[picks]
    ends = (
        ("low", np.interp(frequency_hz, grid, low_db)),
        ("high", np.interp(frequency_hz, grid, high_db)),
    )
    return [Trace(f"return_loss/{end}", Form.RATIO_DB, frequency_hz, ys) for end, ys in ends]
