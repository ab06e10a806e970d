"""`reflection`: captures of an antenna and of open and short, to return loss and what follows."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from typing import Any

import numpy as np

from benchd.bench.antennas import Trim
from benchd.errors import ReductionRefused
from benchd.known.ageing import age_of
from benchd.known.captures import Sources, baselines, inputs
from benchd.known.path_flags import path_flags
from benchd.known.reflection import coupler_over_frequency, reflection_knowledge
from benchd.known.timeline import baseline_between
from benchd.reduce.bandwidth import band_results
from benchd.reduce.decibels import return_loss_from_gamma
from benchd.reduce.dips import Dips, dip_results, dips
from benchd.reduce.knowledge import Known, ReflectionKnowledge
from benchd.reduce.normalise import normalised
from benchd.reduce.reflection import reflection_at, reflection_results
from benchd.reduce.resonance import ANOTHER_DIP
from benchd.reduce.trim import TrimKnowledge, scaling_error, trim
from benchd.reductions.outcome import Outcome, finished
from benchd.results import Result
from benchd.traces import Capture, Form, Trace
from benchd.worksheet import ReduceStep

CLOSING = "closing_"
"""Before the role of a baseline that was taken after the capture."""

NEAR_MAX_AGE = 0.8
"""Share of the recipe's max_age from which a baseline is called old: one more capture like the
last few may then be refused."""

AS_MOUNTED = "As mounted in this box."
IN_FREE_SPACE = "In free space: the walls of the box are in the uncertainty."

INTERVAL_POINTS = 41
"""Points at which the interval of the curve is worked out; straight lines join them."""


def reduce_reflection(sources: Sources, step: ReduceStep) -> Outcome:
    """Return loss, VSWR, reflection magnitude and mismatch loss where asked for; resonance,
    Q, bandwidth; trim advice where the bench file tells what a trim would change.

    Walls: an antenna in a box sees its own echo, and what is measured is the antenna with the
    box around it. That is a true value of its own ("as mounted in this box"), and the one that
    comparisons between revisions and repeated nights need; so it is what is reported, the note
    says so, and no wall term enters. Only a recipe that asks for `free_space: yes` claims the
    antenna without the box; then the echo enters every budget as a term ("box walls"). It is not
    corrected: a scalar bench knows neither its phase nor that of the reflection.

    Raises NormalisationRefused, ReductionRefused.
    """
    test = inputs(sources, step)["test"]
    every = baselines(sources, step, test)
    found = {role: one for role, one in every.items() if not role.startswith(CLOSING)}
    free_space = bool(step.options.get("free_space"))
    known = reflection_knowledge(sources.bench, test, found, sources.store, free_space=free_space)
    levels, drift = _levels_at(test, every)
    if drift is not None:
        known = replace(known, drift_db=drift)
    ratio = normalised(test.level, levels, other_grid=step.interpolate)
    frequency_hz, ratio_db = ratio.frequency_hz, np.real(ratio.values)
    options = step.options
    known_at = coupler_over_frequency(known, sources.bench, test, sources.store)
    results = [
        result
        for at_hz in options["at_hz"]
        for result in reflection_results(frequency_hz, ratio_db, [at_hz], known_at(at_hz))
    ]
    results += _resonance_and_band(sources, frequency_hz, ratio_db, known_at, options)
    traces = [Trace("return_loss", Form.RATIO_DB, frequency_hz, -ratio_db)]
    traces += _interval(frequency_hz, ratio_db, known_at)
    flags = _age_flags(step, test, found, bracketed=drift is not None)
    flags = (*flags, *path_flags(test, frequency_hz, ratio_db, known_at))
    results = [_noted(result.with_flags(*flags), free_space) for result in results]
    return finished(step, options.get("antenna"), [test, *every.values()], results, traces)


def _noted(result: Result, free_space: bool) -> Result:
    """Where the value holds, said with the quantities that people quote by themselves."""
    if not free_space and result.quantity not in ("return_loss", "resonance_frequency"):
        return result
    note = IN_FREE_SPACE if free_space else AS_MOUNTED
    return replace(result, note=f"{result.note} {note}".strip())


def _levels_at(test: Capture, every: dict[str, Capture]) -> tuple[list[Trace], Known | None]:
    """Baseline levels at the time of the capture, open first, and the drift that may be left.

    Where opening and closing baselines bracket the capture, they are interpolated in time; their
    difference, which the stated drift of the bench file stood for, is then the drift.
    """
    traces, drifts = [], []
    for role in ("open", "short"):
        if role not in every:
            continue
        closing = every.get(f"{CLOSING}{role}")
        if closing is None:
            traces.append(every[role].level)
            continue
        trace, drift = baseline_between(every[role], closing, test)
        traces.append(trace)
        drifts.append(drift)
    return traces, max(drifts, key=lambda one: one.value) if drifts else None


def _age_flags(
    step: ReduceStep, test: Capture, found: dict[str, Capture], *, bracketed: bool
) -> tuple[str, ...]:
    """`baseline-old` where the age of a baseline comes near what the recipe allows."""
    if step.max_age_s is None or bracketed:
        return ()
    oldest_s = max(age_of(one.taken_at, test.taken_at) for one in found.values())
    return ("baseline-old",) if oldest_s >= NEAR_MAX_AGE * step.max_age_s else ()


def _resonance_and_band(
    sources: Sources,
    frequency_hz: Any,
    ratio_db: Any,
    known_at: Callable[[float], ReflectionKnowledge],
    options: dict[str, Any],
) -> list[Result]:
    found = dips(
        frequency_hz,
        ratio_db,
        known_at,
        meant=options.get("dip", "deepest"),
        near_hz=options["design_frequency_hz"],
    )
    there = found.meant
    results = list(dip_results(found))
    # An antenna may be matched off its resonance; the band lies around where it is best.
    around_hz = float(np.clip(there.frequency_hz, frequency_hz[0], frequency_hz[-1]))
    levels = [("bandwidth", options["bandwidth_level_db"])]
    if options.get("vswr_limit") is not None:
        limit = options["vswr_limit"]
        levels.append(("vswr_bandwidth", return_loss_from_gamma((limit - 1.0) / (limit + 1.0))))
    for quantity, level_db in levels:
        bands = band_results(
            frequency_hz,
            ratio_db,
            level_db,
            around_hz,
            known_at(around_hz),
            knowledge_at=known_at,
            quantity=quantity,
        )
        results += [_of_dip(result, found) for result in bands]
    antenna = sources.bench.antennas.get(options.get("antenna") or "")
    if antenna is not None and antenna.trim is not None:
        try:
            advice = trim(
                there,
                antenna.trim.arm_m,
                options["design_frequency_hz"],
                trim_knowledge(antenna.trim),
            )
        except ReductionRefused:
            pass  # no resonance in the band: the resonance's own flag says so
        else:
            results.append(advice.result)
    return results


def _of_dip(result: Result, found: Dips) -> Result:
    """A band's result with the dip that it belongs to, and whether another may be meant."""
    flags = tuple(flag for flag in found.meant.flags if flag == ANOTHER_DIP)
    if not found.found:
        return result
    at = f"Around the dip at {found.meant.frequency_hz / 1e6:.6g} MHz."
    return replace(result, note=f"{result.note} {at}".strip()).with_flags(*flags)


def trim_knowledge(stated: Trim) -> TrimKnowledge:
    """What the bench file says of the arms and of the law by which a trim acts."""
    known = TrimKnowledge()
    if stated.arm_uncertainty_m is not None:
        known = replace(known, arm_length_sd_m=Known(stated.arm_uncertainty_m / 2.0))
    if stated.diameter_m is not None:
        known = replace(known, scaling_error=scaling_error(2.0 * stated.arm_m / stated.diameter_m))
    if stated.scaling_error_ppm is not None:
        known = replace(known, scaling_error=Known(stated.scaling_error_ppm * 1e-6))
    return known


def _interval(
    frequency_hz: Any, ratio_db: Any, known_at: Callable[[float], ReflectionKnowledge]
) -> list[Trace]:
    """Ends of the 95 % interval of the return loss over the band.

    Where only a least return loss can be stated, the upper end stands at the value that the
    reading alone would give, since a plot needs an end.
    """
    picks = np.unique(
        np.linspace(0, frequency_hz.size - 1, min(INTERVAL_POINTS, frequency_hz.size)).astype(int)
    )
    low_db, high_db = [], []
    for pick in picks:
        here_hz = float(frequency_hz[pick])
        point = reflection_at(frequency_hz, ratio_db, here_hz, known_at(here_hz))
        low_db.append(float(return_loss_from_gamma(point.gamma_high)))
        least = point.gamma_low if point.gamma_low else 10.0 ** (ratio_db[pick] / 20.0)
        high_db.append(float(return_loss_from_gamma(least)))
    grid = frequency_hz[picks]
    ends = (
        ("low", np.interp(frequency_hz, grid, low_db)),
        ("high", np.interp(frequency_hz, grid, high_db)),
    )
    return [Trace(f"return_loss/{end}", Form.RATIO_DB, frequency_hz, ys) for end, ys in ends]
