"""A gain measured at several places in the box: its mean, and its spread over the places."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np

from benchd.errors import ReductionRefused
from benchd.reduce.budget_inputs import GainKnowledge
from benchd.reduce.gain_over_places import PlaceMean, place_mean
from benchd.reduce.qualify.spreads import spread_result
from benchd.reductions.gain_levels import level_on
from benchd.reductions.gain_settings import Gain
from benchd.results import Result
from benchd.traces import Capture, FloatArray


def over_places(known: GainKnowledge, mean: PlaceMean) -> GainKnowledge:
    """The inputs of the budget, changed for a mean over several places.

    The spread over the places holds both the walls' effect and noise. Noise is subtracted from it,
    because it stays a term of its own: it is independent at every frequency, and the walls' effect
    is not. If the mounts were exchanged, each antenna was joined to both. The errors of the joints
    and of the mounts' cables are then averaged over the mounts. So is the mismatch, since the cable
    of each mount turns the phase of the reflected wave by another amount.
    """
    seen_db = known.port_match_db.value + 10.0 * math.log10(mean.groups)
    joints = replace(known.cable_sd_db, value=known.cable_sd_db.value / math.sqrt(mean.groups))
    noises = (known.noise_sd_db, known.reference_noise_sd_db or known.noise_sd_db)
    noise_db = math.hypot(*(one.value for one in noises))
    # With few places the spread may by chance be smaller than that of noise alone.
    walls_db = math.sqrt(max(0.0, mean.box.value**2 - noise_db**2))
    return replace(
        known,
        box_sd_db=replace(mean.box, value=walls_db),
        cable_sd_db=joints,
        port_match_db=replace(known.port_match_db, value=seen_db),
    )


def places_of(
    settings: Gain, tests: list[Capture], references: list[Capture], step: str
) -> PlacesOfAGain | None:
    """The gain at several places; None if the recipe does not say that there are several."""
    if settings.travel_m is None:
        return None
    grid = tests[0].level.frequency_hz
    return PlacesOfAGain(step, tests, references, grid, settings.travel_m)


class PlacesOfAGain:
    """Differences test minus reference at each place, and their spread.

    Test and reference stand at the same places in the same order. An effect of a place that is the
    same for both cancels, so only its effect on one of them alone is left in the spread.
    """

    def __init__(
        self,
        step: str,
        tests: list[Capture],
        references: list[Capture],
        grid: FloatArray,
        travel_m: float,
    ) -> None:
        if len(tests) != len(references):
            raise ReductionRefused(
                f"{len(tests)} places of the antenna against {len(references)} of the reference",
                where=step,
                advice="Measure both at the same places, in the same order.",
            )
        pairs = zip(tests, references, strict=True)
        self._differences = np.array([level_on(a, grid) - level_on(b, grid) for a, b in pairs])
        self._grid, self._travel_m = grid, travel_m
        self._arrangements = [
            f"{a.position} against {b.position}" for a, b in zip(tests, references, strict=True)
        ]

    def at(self, frequency_hz: float) -> PlaceMean:
        """Mean and spread at one frequency."""
        here = [float(np.interp(frequency_hz, self._grid, row)) for row in self._differences]
        return place_mean(np.array(here), self._travel_m, frequency_hz, self._arrangements)

    def over_grid(self) -> FloatArray:
        """Mean difference at each frequency of the captures, dB."""
        return np.array([self.at(float(frequency_hz)).mean_db for frequency_hz in self._grid])

    def spreads(self, at_hz: list[float]) -> list[Result]:
        """`box_gain_spread`: standard deviation of a gain at a single place, for later budgets.

        Left out if the places lie too close together to show it.
        """
        found = [(frequency_hz, self.at(frequency_hz)) for frequency_hz in at_hz]
        return [
            spread_result(
                "box_gain_spread",
                mean.sd_db,
                float(mean.places - 1),
                frequency_hz=frequency_hz,
                note=f"Standard deviation of this gain at one place, from {mean.places} places.",
            )
            for frequency_hz, mean in found
            if not mean.flags
        ]
