"""Intervals of reflections near the leak, against readings made here from drawn leaks."""

import numpy as np
import pytest

from benchd.reduce.budget_inputs import Known, ReflectionKnowledge
from benchd.reduce.near_leak import largest_magnitude, magnitude_interval, may_be_nothing
from benchd.reduce.reflection import reflection_at

GRID_HZ = np.linspace(1.5e9, 1.9e9, 41)
LEAK = 10.0 ** (-30.0 / 20.0)


def known(**changes: object) -> ReflectionKnowledge:
    """A bench on which the leak is all that errs: 30 dB over a band in which it ripples often."""
    plain: dict[str, object] = {
        "directivity_db": Known(30.0),
        "source_match_db": Known(60.0),
        "tracking_db": Known(0.0),
        "linearity_db": Known(0.0),
        "connector_sd_db": Known(0.0),
        "joint_gamma_sd": Known(0.0),
        "drift_db": Known(0.0),
        "noise_sd_db": Known(0.0),
        "line_delay_s": Known(50e-9),
        "leak_band_hz": (1.5e9, 1.9e9),
    }
    return ReflectionKnowledge(**(plain | changes))  # type: ignore[arg-type]


def test_return_losses_near_a_rippling_leak_hold_the_truth_and_err_to_both_sides() -> None:
    """Dips of any depth, read through a leak of three reflections: of what is read within 6 dB of
    the leak, 95 % of the two-sided intervals hold; the truth is not always the deeper one."""
    rng = np.random.default_rng(3)
    held, deeper, shallower, limits = [], 0, 0, []
    while len(held) < 400:
        power = rng.dirichlet(np.ones(3))
        leak = LEAK * np.sum(np.sqrt(power) * np.exp(2j * np.pi * rng.uniform(size=3)))
        true = rng.uniform(0.0, 5.0 * LEAK)
        read = abs(true + leak)
        if read > 2.0 * LEAK:
            continue
        trace = np.full(GRID_HZ.shape, 20.0 * np.log10(read))
        point = reflection_at(GRID_HZ, trace, 1.7e9, known(), seed=len(held) + len(limits))
        if point.gamma_low is None:
            limits.append(true <= point.gamma_high)
            if len(limits) > 400:
                break
            continue
        held.append(point.gamma_low <= true <= point.gamma_high)
        deeper += true < point.gamma_low
        shallower += true > point.gamma_high
    # Three standard deviations of that many.
    assert 0.95 - 0.65 / np.sqrt(len(held)) <= np.mean(held) <= 0.99
    assert deeper + shallower == len(held) - sum(held)
    assert shallower > 0
    assert np.mean(limits) >= 0.95


def test_far_above_the_leak_even_magnitudes_and_the_plane_say_the_same() -> None:
    rng = np.random.default_rng(4)
    draws = np.abs(0.5 + 0.01 * (rng.standard_normal(20_000) + 1j * rng.standard_normal(20_000)))
    plane = tuple(np.quantile(draws, (0.025, 0.975)))
    assert magnitude_interval(draws) == pytest.approx(plane, abs=4e-4)
    assert largest_magnitude(draws) == pytest.approx(np.quantile(draws, 0.95))


def test_draws_of_a_ring_weighed_are_even() -> None:
    """Of points spread evenly over a disc the magnitudes grow in number as the magnitude;
    weighed, they are even: 2.5 % of them lie below 0.025 of the radius."""
    draws = np.sqrt(np.linspace(0.0, 1.0, 400_001))
    assert magnitude_interval(draws) == pytest.approx((0.025, 0.975), abs=3e-3)


def by_all_draws_in_order(draws: np.ndarray, coverage: float) -> tuple[float, float]:
    """The same interval with every draw in its order."""
    ordered = np.sort(draws)
    weight = 1.0 / np.maximum(ordered, np.sqrt(np.mean(ordered**2) / ordered.size))
    below = (np.cumsum(weight) - weight / 2.0) / weight.sum()
    low, high = np.interp((0.5 - coverage / 2.0, 0.5 + coverage / 2.0), below, ordered)
    return float(low), float(high)


@pytest.mark.parametrize("count", [1, 2, 7, 40, 1000, 20_000])
@pytest.mark.parametrize("coverage", [0.5, 0.95])
def test_draws_whose_order_does_not_matter_change_nothing(count: int, coverage: float) -> None:
    """Also where most of the weight is next to zero, or far more draws lie beyond an end."""
    rng = np.random.default_rng(count)
    plane = np.abs(rng.standard_normal(count) + 1j * rng.standard_normal(count))
    heavy = np.where(rng.random(count) < 0.3, 1e-6, 1.0) * rng.uniform(0.5, 1.0, count)
    for draws in (plane, 0.4 + 0.01 * plane, plane**8, heavy, np.full(count, 0.3)):
        found = magnitude_interval(draws, coverage)
        assert found == pytest.approx(by_all_draws_in_order(draws, coverage), rel=1e-9)


def test_a_reading_may_be_nothing_only_where_the_leak_reaches_it() -> None:
    """A leak that never ripples is what it is stated; one that does reaches 1.6 times that, in
    more than one case of forty (Rayleigh's law of many parts: exp(-1.6^2) = 0.077)."""
    rng = np.random.default_rng(5)
    still = known(leak_band_hz=None)
    assert may_be_nothing(0.99 * LEAK, still, rng, 20_000)
    assert not may_be_nothing(1.01 * LEAK, still, rng, 20_000)
    assert not may_be_nothing(4.0 * LEAK, known(), rng, 20_000)
    assert may_be_nothing(1.55 * LEAK, known(), rng, 20_000)
    trace = np.full(GRID_HZ.shape, 20.0 * np.log10(1.55 * LEAK))
    assert reflection_at(GRID_HZ, trace, 1.7e9, known()).flags == ("below-directivity",)
    assert reflection_at(GRID_HZ, trace, 1.7e9, still).gamma_low is not None


NOISE_DB = -30.0


def test_near_the_noise_the_power_errs_and_what_noise_alone_could_give_has_no_upper_end() -> None:
    """A carrier of any size among noise, a few samples averaged: the intervals hold in 95 %; two
    ends are told only where noise alone would not have given the reading."""
    rng = np.random.default_rng(9)
    two, one = [], []
    for _ in range(600):
        samples = int(rng.integers(4, 40))
        true = rng.uniform(0.0, 5.0) * 10.0 ** (NOISE_DB / 20.0)
        noise = rng.standard_normal((2, samples)) * np.sqrt(10.0 ** (NOISE_DB / 10.0) / 2.0)
        power = np.mean((true + noise[0]) ** 2 + noise[1] ** 2)
        near = known(
            directivity_db=Known(70.0),
            dynamic_range_db=Known(-NOISE_DB),
            independent_samples=float(samples),
            noise_sd_db=None,
        )
        trace = np.full(GRID_HZ.shape, 10.0 * np.log10(power))
        point = reflection_at(GRID_HZ, trace, 1.7e9, near)
        held = (point.gamma_low or 0.0) <= true <= point.gamma_high
        (two if point.gamma_low is not None else one).append(held)
        if point.gamma_low is None:
            assert "no-noise-margin" in point.flags or "below-directivity" in point.flags
    assert len(two) > 300
    assert len(one) > 60
    # Three standard deviations of that many; a limit may be surer than it must be.
    assert 0.95 - 0.65 / np.sqrt(len(two)) <= np.mean(two) <= 0.95 + 0.65 / np.sqrt(len(two))
    assert 0.95 - 0.65 / np.sqrt(len(one)) <= np.mean(one)
