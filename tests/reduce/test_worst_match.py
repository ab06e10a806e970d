"""The worst match over a band: right where it can be known, and its intervals hold the truth.

Benches are of foreign make (`tests/coverage_study`): their physics is shared by neither benchd nor
the simulators. Seeds are fixed; none of them was used to make the maths.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pytest

from benchd.errors import ReductionRefused
from benchd.reduce.budget_inputs import Known, ReflectionKnowledge
from benchd.reduce.worst_match import worst_results
from benchd.results import Result
from tests.coverage_study.antennas import Antenna
from tests.coverage_study.foreign import drawn_foreign, generator, looked, results

BENCHES = 50
LEAST = 0.86
"""Binomial: three standard deviations of 50 trials at 95 % are 9.2 %."""

PERFECT = ReflectionKnowledge(
    directivity_db=Known(90.0),
    source_match_db=Known(90.0),
    linearity_db=Known(0.0),
    connector_sd_db=Known(0.0),
    joint_gamma_sd=Known(0.0),
    drift_db=Known(0.0),
    noise_sd_db=Known(0.0),
    line_delay_s=Known(1e-9),
    frequency_error=Known(0.0),
)


def even(rng: np.random.Generator) -> Antenna:
    """An antenna of nearly the same reflection everywhere: a ripple is not its own."""
    size, tilt = 10.0 ** (-rng.uniform(12.0, 24.0) / 20.0), rng.uniform(-0.2, 0.2)
    at_hz, late_s = rng.uniform(0.8e9, 2.4e9), rng.uniform(0.0, 1e-9)

    def gamma(f: np.ndarray) -> np.ndarray:
        shape = 1.0 + tilt * (f / at_hz - 1.0) / 0.1
        return np.asarray(size * shape * np.exp(-4j * np.pi * f * late_s))

    return Antenna("even", gamma, (0.85 * at_hz, 1.15 * at_hz), 101)


@dataclass(frozen=True)
class Case:
    """One bench: the result, the truth, and the worst reading with its own interval, all in dB."""

    result: Result
    truth_db: float
    read_db: float

    @property
    def held(self) -> bool:
        low, high = self.result.low, self.result.high
        return (low is None or low <= self.truth_db) and (high is None or self.truth_db <= high)


def cases(first_seed: int, kind: object = None) -> list[Case]:
    found = []
    for seed in range(first_seed, first_seed + BENCHES):
        one = drawn_foreign(seed, kind)  # type: ignore[arg-type]
        side, rng = looked(one)[0], generator(seed, 9)
        f = side.frequency_hz
        width = (f[-1] - f[0]) * rng.uniform(0.1, 0.6)
        start = rng.uniform(f[0], f[-1] - width)
        band = (float(start), float(start + width))
        result, _ = worst_results(f, side.ratio_db, band, side.known_at)
        inside = (f >= band[0]) & (f <= band[1])
        truth = np.abs(one.antenna.gamma(np.linspace(*band, 4001))).max()
        read_db = -float(side.ratio_db[inside].max())
        found.append(Case(result, float(-20.0 * np.log10(truth)), read_db))
    return found


def test_intervals_hold_the_worst_of_all_kinds_of_antennas() -> None:
    found = cases(31_000)
    assert np.mean([one.held for one in found]) >= LEAST


def test_the_worst_of_an_even_antenna_is_not_the_worst_reading() -> None:
    """Readings are too bad by their ripple; most of it is taken off, and the interval knows it.
    What is stated lies nearer to the truth than the worst reading, by a third (rms)."""
    found = cases(32_000, even)
    assert np.mean([one.held for one in found]) >= LEAST
    off_db = [one.truth_db - one.result.value for one in found]
    read_off_db = [one.truth_db - one.read_db for one in found]
    assert np.sqrt(np.mean(np.square(off_db))) < 0.7 * np.sqrt(np.mean(np.square(read_off_db)))
    too_bad = np.mean([one.truth_db - one.read_db for one in found])
    left = np.mean([one.truth_db - one.result.value for one in found])
    assert too_bad > 1.0
    assert abs(left) < 0.4 * too_bad


def test_a_perfect_bench_reads_the_worst_of_the_band_and_no_other() -> None:
    """|G| = 0.1 + 0.2 |f/f0 - 1|/0.1: 0.2 at 5 % off, which is 13.979 dB or a VSWR of 1.5."""
    f = np.linspace(1.5e9, 1.9e9, 401)
    size = 0.1 + 0.2 * np.abs(f / 1.7e9 - 1.0) / 0.1
    band = (1.7e9 * 0.99, 1.7e9 * 1.05)
    loss, vswr = worst_results(f, 20.0 * np.log10(size), band, lambda _: PERFECT)
    assert (loss.quantity, loss.unit, loss.band_hz) == ("worst_return_loss", "dB", band)
    assert (vswr.quantity, vswr.unit, vswr.band_hz) == ("worst_vswr", "1", band)
    assert loss.value == pytest.approx(13.979, abs=0.01)
    assert vswr.value == pytest.approx(1.5, abs=0.001)
    assert loss.low is not None
    assert loss.high is not None
    assert loss.low <= loss.value <= loss.high
    assert loss.note.startswith("Worst at 1785 MHz")
    assert loss.frequency_hz is None


def test_the_place_of_the_worst_is_told_only_where_errors_leave_no_other() -> None:
    """An even match: ripple and noise decide where it reads worst."""
    f = np.linspace(1.5e9, 1.9e9, 101)
    known = ReflectionKnowledge(directivity_db=Known(32.0), source_match_db=Known(25.0))
    read_db = -15.0 + 0.05 * np.cos((f - 1.6e9) / 1e7)
    for result in worst_results(f, read_db, (1.6e9, 1.8e9), lambda _: known):
        assert result.note.startswith("Errors leave open where in the band the worst lies.")


def test_a_band_that_hides_behind_the_leak_has_a_bound_only() -> None:
    f = np.linspace(1.5e9, 1.9e9, 101)
    known = ReflectionKnowledge(directivity_db=Known(25.0), source_match_db=Known(20.0))
    loss, vswr = worst_results(f, np.full(f.size, -27.0), (1.6e9, 1.8e9), lambda _: known)
    assert "below-directivity" in loss.flags
    assert loss.high is None
    assert vswr.low is None
    assert loss.low is not None
    assert loss.low < 27.0


def test_a_band_outside_the_trace_is_refused() -> None:
    f = np.linspace(1.5e9, 1.9e9, 101)
    with pytest.raises(ReductionRefused, match="from 1800 to 2000 MHz reaches outside the trace"):
        worst_results(f, np.full(f.size, -10.0), (1.8e9, 2.0e9), lambda _: PERFECT)


def test_the_reduction_gives_them_where_a_band_is_asked_for() -> None:
    one = drawn_foreign(31_000)
    low, high = one.antenna.sweep_hz
    middle = (low + high) / 2.0
    plain = {r.quantity for r in results(one, [middle])}
    band = {"least": 0.4 * low + 0.6 * middle, "most": 0.6 * middle + 0.4 * high}
    asked = {r.quantity: r for r in results(one, [middle], band_hz=band)}
    assert asked.keys() - plain == {"worst_return_loss", "worst_vswr"}
    loss, vswr = asked["worst_return_loss"], asked["worst_vswr"]
    gamma = 10.0 ** (-loss.value / 20.0)
    assert vswr.value == pytest.approx((1.0 + gamma) / (1.0 - gamma), rel=1e-9)
    assert loss.band_hz == (band["least"], band["most"])
    assert loss.captures
