"""Pairs of antennas on benches of foreign make: does the stated difference hold the true one?

One antenna of the foreign kinds is measured, then a revision of it, over one open and short: the
second resonates up to a few per cent elsewhere and is a few per cent off in impedance. Leak and
source match are those of `reflectometer`, and what is known of them is what its owner states.

    python -m tests.coverage_study.foreign_pairs --benches 200 --seed 1
"""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import suppress
from typing import Any

import numpy as np

from benchd.errors import ReductionRefused
from benchd.reduce.reflection import reflection_results
from benchd.reduce.resonance import resonance
from benchd.reduce.revision_readings import Looked, Reading, at_frequency, of_band, of_dip
from benchd.reduce.revisions import Pair
from benchd.results import Result
from tests.coverage_study.antennas import Reflection, dipole, matched, patch, resonator, yagi
from tests.coverage_study.foreign import drawn_foreign, generator, looked
from tests.coverage_study.pairs import EDGE, Line, band_hz, table

KINDS = (resonator, patch, dipole, yagi, matched)
APART_FROM_FOREIGN = 2_000_000
"""Added to a seed, so that its pair is on another bench than its foreign one."""

READ_AT = (0.4, 0.6)
"""Where return losses are compared, as shares of the sweep; and at the first one's true dip."""


def revised(gamma: Reflection, stretch: float, growth: float) -> Reflection:
    """An antenna stretched in frequency and grown in impedance (both relative)."""

    def found(f: Any) -> Any:
        before = gamma(f / stretch)
        z = growth * (1.0 + before) / (1.0 - before)
        return (z - 1.0) / (z + 1.0)

    return found


def drawn_on_foreign(seed: int, *, changed: bool) -> Iterator[Line]:
    """Differences of two measurements on one bench: of one antenna, or of two revisions."""
    one = drawn_foreign(APART_FROM_FOREIGN + seed, KINDS[seed % len(KINDS)])
    rng = generator(one.seed, 6)
    width = (one.antenna.sweep_hz[1] - one.antenna.sweep_hz[0]) / sum(one.antenna.sweep_hz)
    shift, growth = rng.normal(0.0, 0.1 * width), np.exp(rng.normal(0.0, 0.06))
    first = one.antenna.gamma
    second = revised(first, 1.0 + shift, float(growth)) if changed else first
    sides = looked(one, second)
    f, fine = sides[0].frequency_hz, one.antenna.fine_hz
    truths = [np.abs(gamma(fine)) for gamma in (first, second)]
    pair = Pair(sides[0], sides[1])

    def line(
        quantity: str, found: list[float], true: list[float], how: list[Reading]
    ) -> Iterator[Line]:
        unit = "dB" if quantity == "return_loss" else "Hz"
        before, after = (Result(quantity, value, unit, None, None) for value in found)
        with suppress(ReductionRefused):  # too uncertain to be compared, and said so
            result = pair.difference(before, after, (how[0], how[1]))
            yield Line(quantity, changed, true[1] - true[0], result)

    places = [float(f[0] + share * (f[-1] - f[0])) for share in READ_AT]
    places.append(float(fine[np.argmin(truths[0])]))
    for at_hz in places:
        yield from line(
            "return_loss",
            [_return_loss_db(side, at_hz) for side in sides],
            [-20.0 * float(np.log10(np.interp(at_hz, fine, size))) for size in truths],
            [at_frequency("return_loss", at_hz)] * 2,
        )
    dips = [resonance(f, side.ratio_db, _at_dip(side)) for side in sides]
    if all(dip.budget is not None for dip in dips) and all(map(_has_dip, truths)):
        yield from line(
            "resonance_frequency",
            [dip.frequency_hz for dip in dips],
            [float(fine[np.argmin(size)]) for size in truths],
            [
                of_dip("resonance_frequency", side, dip.frequency_hz)
                for side, dip in zip(sides, dips, strict=True)
            ],
        )
    bands = [band_hz(f, 10.0 ** (side.ratio_db / 20.0)) for side in sides]
    true_bands = [band_hz(fine, size) for size in truths]
    seen = [edges for edges in bands if edges is not None]
    true = [edges for edges in true_bands if edges is not None]
    if len(seen) == len(true) == 2:
        yield from line(
            "bandwidth",
            [high - low for low, high in seen],
            [high - low for low, high in true],
            [of_band("width", side, edges) for side, edges in zip(sides, seen, strict=True)],
        )


def _return_loss_db(side: Looked, at_hz: float) -> float:
    """As benchd tells it, without the noise that the reading holds."""
    (found,) = reflection_results(
        side.frequency_hz, side.ratio_db, [at_hz], side.known_at(at_hz), quantities=["return_loss"]
    )
    return found.value


def _at_dip(side: Looked) -> Any:
    return side.known_at(float(side.frequency_hz[np.argmin(side.ratio_db)]))


def _has_dip(size: Any) -> bool:
    """Whether a true curve is least inside of the sweep, at a dip that a band could be read of."""
    lowest = int(np.argmin(size))
    return 0 < lowest < size.size - 1 and float(size[lowest]) < EDGE


if __name__ == "__main__":
    table(drawn_on_foreign)
