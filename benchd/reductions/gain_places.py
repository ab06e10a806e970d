"""A gain measured at several places: its mean, and what its spread says of the box."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np

from benchd.errors import ReductionRefused
from benchd.reduce.knowledge import GainKnowledge
from benchd.reduce.positions import PositionMean, position_mean
from benchd.reduce.qualify.spreads import spread_result
from benchd.reductions.gain_levels import level_on
from benchd.reductions.gain_settings import Gain
from benchd.results import Result
from benchd.traces import Capture, FloatArray


def over_places(known: GainKnowledge, mean: PositionMean) -> GainKnowledge:
    """What is left to be counted beside the spread over the places.

    Noise is in that spread already, new at every place: it is told by itself and taken off there,
    since it is new at every frequency, too, where the walls' part is not. With mounts exchanged
    each antenna was joined to either mount: of what the joints and the mounts' cables add, the mean
    is left. So it is of the mismatch: each mount's cable turns what it sends back by a phase of its
    own.
    """
    seen_db = known.port_match_db.value + 10.0 * math.log10(mean.groups)
    joints = replace(known.cable_sd_db, value=known.cable_sd_db.value / math.sqrt(mean.groups))
    noises = (known.noise_sd_db, known.reference_noise_sd_db or known.noise_sd_db)
    noise_db = math.hypot(*(one.value for one in noises))
    # A spread of so few places may come out below its noise alone.
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
    """What several places show, where the recipe says that there are several."""
    if settings.travel_m is None:
        return None
    grid = tests[0].level.frequency_hz
    return PlacesOfAGain(step, tests, references, grid, settings.travel_m)


class PlacesOfAGain:
    """Differences test minus reference at each place, and what their spread says of the box.

    Test and reference stand at the same places in the same order, so that what a place does to
    both cancels and only what it does to one of them is left in the spread.
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

    def at(self, frequency_hz: float) -> PositionMean:
        """Mean and spread at one frequency."""
        here = [float(np.interp(frequency_hz, self._grid, row)) for row in self._differences]
        return position_mean(np.array(here), self._travel_m, frequency_hz, self._arrangements)

    def over_grid(self) -> FloatArray:
        """Mean difference at each frequency of the captures, dB."""
        return np.array([self.at(float(frequency_hz)).mean_db for frequency_hz in self._grid])

    def spreads(self, at_hz: list[float]) -> list[Result]:
        """`box_gain_spread`: what a gain at one place alone is uncertain by, for later budgets.

        Left out where the places lie too close together to show it.
        """
        found = [(frequency_hz, self.at(frequency_hz)) for frequency_hz in at_hz]
        return [
            spread_result(
                "box_gain_spread",
                mean.sd_db,
                float(mean.positions - 1),
                frequency_hz=frequency_hz,
                note=f"Standard deviation of this gain at one place, from {mean.positions} places.",
            )
            for frequency_hz, mean in found
            if not mean.flags
        ]
