"""`reflection`: return loss and what follows from it, from captures of an antenna and baselines."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from typing import Any

import numpy as np

from benchd.bench.antennas import Antenna, Trim
from benchd.curves import Curve
from benchd.errors import ReductionRefused
from benchd.known.captures import Baselines, BenchKnowledge, JobCaptures
from benchd.known.carrier_levels import carrier_trace
from benchd.known.level_drift import age_of
from benchd.known.path_flags import path_flags
from benchd.known.reflection import coupler_over_frequency, reflection_knowledge
from benchd.known.time_interpolation import baseline_between
from benchd.quantities import quantity
from benchd.reduce.bandwidth import band_results
from benchd.reduce.budget_inputs import Known, ReflectionKnowledge
from benchd.reduce.decibels import return_loss_from_gamma
from benchd.reduce.dips import Dips, dip_results, dips
from benchd.reduce.normalise import normalised
from benchd.reduce.reflection import reflection_at, reflection_results
from benchd.reduce.resonance import ANOTHER_DIP
from benchd.reduce.trim import TrimKnowledge, scaling_error, trim
from benchd.reduce.worst_match import worst_results
from benchd.reductions.outcome import DrawnLater, Outcome, finished
from benchd.reductions.reflection_settings import Reflection
from benchd.reductions.registry import reduction
from benchd.reductions.repeated_captures import curve
from benchd.results import Result
from benchd.rounding import rounded_words
from benchd.traces import Capture, Trace

NEAR_MAX_AGE = 0.8
"""A baseline older than this share of the recipe's max_age is flagged as old: it may soon be too
old for another capture."""

AS_MOUNTED = "As mounted in this box."
IN_FREE_SPACE = "In free space: the walls of the box are in the uncertainty."

INTERVAL_POINTS = 41
"""Number of points at which the interval of the curve is calculated; between them it is
interpolated."""

INTERVAL_TRIALS = 4_000
"""Number of draws for each of them. The ends are then random by about 2 % of the interval's width,
which nobody sees in a picture; results have five times as many."""


@reduction(Reflection)
def reduce_reflection(
    settings: Reflection, captures: JobCaptures, known: BenchKnowledge
) -> Outcome:
    """Return loss, VSWR, reflection magnitude and mismatch loss at the requested frequencies;
    resonance, Q and bandwidth; trim advice if the bench file states the effect of a trim.

    An antenna in a box receives an echo of its own wave from the walls, so the antenna together
    with the box is measured. That is what is reported ("as mounted in this box"), since comparing
    revisions and repeated nights needs just this; the note says so, and the budget has no term for
    the walls. A recipe with `free_space: yes` asks for the antenna without the box: then the echo
    is a term ("box walls") of every budget. It cannot be corrected, since a scalar bench knows
    neither its phase nor that of the reflection.

    Raises NormalisationRefused, ReductionRefused.
    """
    test = captures.named(settings.test)
    baselines = captures.baselines(
        settings.baselines(), test, max_age_s=settings.oldest_s, interpolate=settings.interpolate
    )
    knowledge = reflection_knowledge(
        known.bench, test, baselines.opening, known.archive, free_space=settings.free_space
    )
    levels, drift = _levels_at(test, baselines)
    if drift is not None:
        knowledge = replace(knowledge, drift_db=drift)
    ratio = normalised(test.level, levels, other_grid=settings.interpolate)
    frequency_hz, ratio_db = ratio.frequency_hz, ratio.decibels
    known_at = coupler_over_frequency(knowledge, known.bench, test, known.archive)
    results = [
        result
        for at_hz in settings.reported_hz
        for result in reflection_results(frequency_hz, ratio_db, [at_hz], known_at(at_hz))
    ]
    if settings.band_hz is not None:
        band = settings.band_hz
        results += worst_results(frequency_hz, ratio_db, (band.least, band.most), known_at)
    results += _resonance_and_band(
        settings, frequency_hz, ratio_db, known_at, known.bench.antennas.get(test.antenna or "")
    )

    def curves() -> list[Curve]:
        low_db, high_db = _interval(frequency_hz, ratio_db, known_at)
        return [curve("return_loss", frequency_hz, -ratio_db, low=low_db, high=high_db)]

    flags = _age_flags(settings, test, baselines, bracketed=drift is not None)
    flags = (*flags, *path_flags(test, frequency_hz, ratio_db, known_at))
    results = [_noted(result.with_flags(*flags), settings.free_space) for result in results]
    return finished(test.antenna, [test, *baselines.every], results, DrawnLater(curves))


def _noted(result: Result, free_space: bool) -> Result:
    """Add a note on where the value holds, to the quantities that are often quoted alone."""
    if not free_space and not quantity(result.quantity).says_where:
        return result
    note = IN_FREE_SPACE if free_space else AS_MOUNTED
    return replace(result, note=f"{result.note} {note}".strip())


def _levels_at(test: Capture, baselines: Baselines) -> tuple[list[Trace], Known | None]:
    """Baseline levels at the time of the capture, open first, and the drift that may be left.

    If there are baselines from before and after the capture, they are interpolated in time, and the
    drift follows from their difference. It then replaces the stated drift of the bench file.
    """
    traces, drifts = [], []
    for role, opening in baselines.opening.items():
        closing = baselines.closing.get(role)
        if closing is None:
            traces.append(carrier_trace(opening))
            continue
        trace, drift = baseline_between(opening, closing, test)
        traces.append(trace)
        drifts.append(drift)
    return traces, max(drifts, key=lambda one: one.value) if drifts else None


def _age_flags(
    settings: Reflection, test: Capture, baselines: Baselines, *, bracketed: bool
) -> tuple[str, ...]:
    """`baseline-old` if the age of a baseline comes near the recipe's max_age."""
    allowed_s = settings.oldest_s
    if allowed_s is None or bracketed:
        return ()
    opening = baselines.opening.values()
    oldest_s = max(age_of(one.taken_at, test.taken_at) for one in opening)
    return ("baseline-old",) if oldest_s >= NEAR_MAX_AGE * allowed_s else ()


def _resonance_and_band(
    settings: Reflection,
    frequency_hz: Any,
    ratio_db: Any,
    known_at: Callable[[float], ReflectionKnowledge],
    antenna: Antenna | None,
) -> list[Result]:
    design_hz = settings.design_frequency_hz
    assert design_hz is not None, "a resolved reduction tells it"
    found = dips(
        frequency_hz,
        ratio_db,
        known_at,
        meant=settings.dip,
        near_hz=design_hz,
    )
    there = found.meant
    results = list(dip_results(found))
    # The band is looked for around the deepest point of the dip, which need not be the resonance.
    around_hz = float(np.clip(there.frequency_hz, frequency_hz[0], frequency_hz[-1]))
    for name, level_db in settings.edge_levels_db.items():
        bands = band_results(
            frequency_hz,
            ratio_db,
            level_db,
            around_hz,
            known_at(around_hz),
            knowledge_at=known_at,
            quantity=name,
            alone=len(found.found) < 2,
        )
        results += [_of_dip(result, found) for result in bands]
    if antenna is not None and antenna.trim is not None:
        try:
            advice = trim(
                there,
                antenna.trim.arm_m,
                design_hz,
                trim_knowledge(antenna.trim),
            )
        except ReductionRefused:
            pass  # there is no resonance in the band, which the result for the resonance tells
        else:
            results.append(advice.result)
    return results


def _of_dip(result: Result, found: Dips) -> Result:
    """A bandwidth's result with its dip noted, and flagged if another dip may be the wanted one."""
    flags = tuple(flag for flag in found.meant.flags if flag == ANOTHER_DIP)
    if not found.found:
        return result
    meant = found.meant
    sure_hz = 0.0 if meant.budget is None else meant.budget.expanded
    at = f"Around the dip at {rounded_words(meant.frequency_hz, sure_hz, 'Hz')}."
    return replace(result, note=f"{result.note} {at}".strip()).with_flags(*flags)


def trim_knowledge(stated: Trim) -> TrimKnowledge:
    """The lengths of the arms and the effect of a trim on frequency, as the bench file states
    them."""
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
) -> tuple[Any, Any]:
    """Lower and upper end of the 95 % interval of the return loss over the band.

    Where only a smallest return loss can be stated, there is no upper end. Since a plot needs one,
    it is set to the value that the reading alone would give.
    """
    picks = np.unique(
        np.linspace(0, frequency_hz.size - 1, min(INTERVAL_POINTS, frequency_hz.size)).astype(int)
    )
    low_db, high_db = [], []
    for pick in picks:
        here_hz = float(frequency_hz[pick])
        point = reflection_at(
            frequency_hz, ratio_db, here_hz, known_at(here_hz), trials=INTERVAL_TRIALS
        )
        low_db.append(float(return_loss_from_gamma(point.gamma_high)))
        least = point.gamma_low if point.gamma_low else 10.0 ** (ratio_db[pick] / 20.0)
        high_db.append(float(return_loss_from_gamma(least)))
    grid = frequency_hz[picks]
    return np.interp(frequency_hz, grid, low_db), np.interp(frequency_hz, grid, high_db)
