"""What is known of an antenna's own reflection, where a gain needs it."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field

import numpy as np

from benchd.errors import NormalisationRefused, ReductionRefused
from benchd.known.captures import BenchKnowledge, JobCaptures, newest_test_of
from benchd.known.carrier_levels import carrier_trace
from benchd.known.reflection import reflection_knowledge
from benchd.reduce.budget_inputs import Known, ReflectionKnowledge
from benchd.reduce.decibels import NEPER_DB
from benchd.reduce.gain_by_substitution import ASSUMED_GAMMA
from benchd.reduce.normalise import normalised, onto_grid
from benchd.reduce.reflection import return_loss_terms
from benchd.reduce.uncertainty import combine
from benchd.traces import Capture, FloatArray
from benchd.worksheet import NEWEST, BaselineInput

LEAST_GAMMA = 1e-3
"""Smallest reflection magnitude (linear) that is calculated with. Below it the mismatch loss is
under 1e-5 dB, and the formula of its uncertainty would divide by nearly zero."""


@dataclass(frozen=True, eq=False)
class AntennaMatch:
    """One antenna's reflection magnitude (linear) over a grid of shape (n,).

    gamma: the magnitude, measured or stated; None where there is neither.
    limit: the largest possible magnitude, where only that is stated.
    spread: gives the standard uncertainty of gamma at a frequency in Hz; None where unknown.
    captures: the captures that gamma was measured from.
    """

    frequency_hz: FloatArray
    gamma: FloatArray | None = None
    limit: FloatArray | None = None
    spread: Callable[[float], Known] | None = None
    captures: list[Capture] = field(default_factory=list)

    def at(self, frequency_hz: float) -> Known:
        """The magnitude at one frequency; else its limit, else a default marked as assumed."""
        values = self.gamma if self.gamma is not None else self.limit
        if values is None:
            return Known(ASSUMED_GAMMA, assumed=True)
        return Known(min(float(np.interp(frequency_hz, self.frequency_hz, values)), 0.999))

    def spread_at(self, frequency_hz: float) -> Known | None:
        """Standard uncertainty of the magnitude at one frequency."""
        return None if self.spread is None else self.spread(frequency_hz)


def antenna_match(
    known: BenchKnowledge,
    captures: JobCaptures,
    test: Capture,
    name: str,
    *,
    match: str,
    max_age_s: float | None,
) -> AntennaMatch:
    """The reflection of the antenna `name`, from the best of three sources.

    With `match: newest` it is the newest stored reflection whose baselines were taken the same way.
    Else it is the return loss that the bench file states for a reference antenna. Else it is the
    least return loss that the bench file states, which gives only a limit.
    """
    grid = test.level.frequency_hz
    if match == NEWEST:
        return _measured(known, captures, test, name, max_age_s)
    antenna = known.bench.antennas[name]
    data = antenna.reference
    if data is not None and data.return_loss_db is not None:
        gamma = 10.0 ** (-data.return_loss_db.over(grid) / 20.0)
        stated = data.return_loss_uncertainty_db

        def spread(frequency_hz: float) -> Known:
            half_db = float(stated or 0.0) / 2.0
            here = float(np.interp(frequency_hz, grid, gamma))
            return Known(here * half_db / NEPER_DB, source=f"return loss of {name}")

        return AntennaMatch(grid, gamma, spread=None if stated is None else spread)
    if antenna.least_return_loss_db is not None:
        limit = 10.0 ** (-antenna.least_return_loss_db.over(grid) / 20.0)
        return AntennaMatch(grid, limit=limit)
    return AntennaMatch(grid)


_NEWEST_BASELINES = (BaselineInput("open", NEWEST), BaselineInput("short", NEWEST))


def _measured(
    known: BenchKnowledge,
    captures: JobCaptures,
    test: Capture,
    name: str,
    max_age_s: float | None,
) -> AntennaMatch:
    grid = test.level.frequency_hz
    for row in newest_test_of(known, name, before=test, route_kind="reflection"):
        capture = row.load()
        if capture.settings.refine_to is not None:
            continue  # it was read coarsely away from its dip, where a gain may need it
        try:
            found = captures.baselines(
                _NEWEST_BASELINES, capture, max_age_s=max_age_s, interpolate=False
            )
            order = [carrier_trace(baseline) for baseline in found.opening.values()]
            ratio = normalised(carrier_trace(capture), order)
            ratio_db = onto_grid(ratio.frequency_hz, ratio.decibels, grid)
        except NormalisationRefused:
            continue
        knowledge = reflection_knowledge(known.bench, capture, found.opening, known.archive)
        gamma = 10.0 ** (ratio_db / 20.0)
        return AntennaMatch(
            grid,
            gamma,
            spread=_spread(grid, gamma, knowledge),
            captures=[capture, *found.every],
        )
    raise ReductionRefused(
        f'there is no stored reflection of "{name}" over this band with baselines that fit',
        where=captures.step,
        advice="Measure its return loss first, over the whole grid, or set match: none.",
    )


def _spread(
    grid: FloatArray, gamma: FloatArray, known: ReflectionKnowledge
) -> Callable[[float], Known]:
    """Standard uncertainty of a measured magnitude, from the budget of its return loss."""

    def spread(frequency_hz: float) -> Known:
        here = max(float(np.interp(frequency_hz, grid, gamma)), LEAST_GAMMA)
        budget = combine(return_loss_terms(here, known), estimate=0.0)
        return Known(
            here * budget.standard / NEPER_DB,
            assumed=any(line.assumed for line in budget.terms),
            degrees_of_freedom=budget.degrees_of_freedom,
        )

    return spread
