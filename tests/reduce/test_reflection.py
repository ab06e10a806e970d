"""Return loss and its relatives at one frequency: values, intervals, flags."""

from dataclasses import replace

import numpy as np
import pytest

from benchd.errors import ReductionRefused
from benchd.reduce.budget_inputs import Known, ReflectionKnowledge, assumptions
from benchd.reduce.noise import bias_db
from benchd.reduce.reflection import reflection_at, reflection_results
from benchd.reduce.reflectometer import baseline_leftover_db, reading, reflection
from benchd.reduce.uneven import roughness_db
from benchd.reductions.reflection import INTERVAL_TRIALS

GRID = np.linspace(1.5e9, 1.9e9, 41)


def known(**changes: object) -> ReflectionKnowledge:
    """A bench of which everything is known, with changes."""
    plain: dict[str, object] = {
        "directivity_db": Known(40.0),
        "source_match_db": Known(25.0),
        "linearity_db": Known(0.1),
        "connector_sd_db": Known(0.03),
        "joint_gamma_sd": Known(0.0),
        "drift_db": Known(0.02),
        "noise_sd_db": Known(0.02),
        "line_delay_s": Known(2e-9),
        "frequency_error": Known(1e-6),
    }
    return ReflectionKnowledge(**(plain | changes))  # type: ignore[arg-type]


def flat(return_loss_db: float) -> np.ndarray:
    """A normalised trace of one return loss."""
    return np.full(GRID.shape, -return_loss_db)


def test_all_four_quantities_of_a_return_loss_of_14_db() -> None:
    results = reflection_results(GRID, flat(14.0), [1.7e9], known())
    found = {r.quantity: (round(r.value, 4), r.unit) for r in results}
    assert found == {
        "return_loss": (14.0, "dB"),
        "vswr": (1.4985, "1"),
        "reflection_magnitude": (0.1995, "1"),
        "mismatch_loss": (0.1764, "dB"),
    }
    for result in results:
        assert result.frequency_hz == 1.7e9
        assert result.low is not None
        assert result.high is not None
        assert result.budget is not None
        assert result.low < result.value < result.high
        assert result.expanded_uncertainty == pytest.approx((result.high - result.low) / 2)
        assert result.flags == ()


def test_the_four_intervals_are_one_interval() -> None:
    loss, vswr, gamma, _ = reflection_results(GRID, flat(14.0), [1.7e9], known())
    assert gamma.high == pytest.approx(10 ** (-loss.low / 20))
    assert vswr.high == pytest.approx((1 + gamma.high) / (1 - gamma.high))
    assert gamma.low == pytest.approx(10 ** (-loss.high / 20))


def test_the_interval_is_longer_on_the_better_side() -> None:
    (loss,) = reflection_results(GRID, flat(30.0), [1.7e9], known(), quantities=["return_loss"])
    assert loss.budget.method == "monte-carlo"
    assert loss.high - loss.value > 1.2 * (loss.value - loss.low)


def test_near_the_directivity_only_one_side_is_stated() -> None:
    loss, vswr, _, _ = reflection_results(GRID, flat(39.0), [1.7e9], known())
    assert loss.flags == ("below-directivity",)
    assert loss.high is None
    assert loss.expanded_uncertainty is None
    # Reading and leak in phase: 20 lg(10^-1.95 + 10^-2) = -33.5 dB at most.
    assert 33.4 < loss.low < 34.5
    assert loss.note == f"At least {loss.low:.3g} dB (95 %, one-sided)."
    assert vswr.low is None
    assert vswr.note.startswith("At most 1.0")


def test_more_than_a_full_reflection_is_flagged_and_bounded() -> None:
    loss, vswr, gamma, mismatch = reflection_results(GRID, flat(-0.1), [1.7e9], known())
    assert all("above-baseline" in r.flags for r in (loss, vswr, gamma, mismatch))
    assert loss.value == pytest.approx(-0.1)
    assert gamma.value == pytest.approx(10**0.005)
    assert vswr.high is None
    assert vswr.note.startswith("At least")
    assert np.isfinite(vswr.value)
    assert np.isfinite(mismatch.value)


def test_noise_bias_is_removed_and_flagged() -> None:
    """A reading 5 dB above the noise: what the carrier must be, by the detector's law."""
    near = known(
        dynamic_range_db=Known(30.0), independent_samples=100.0, directivity_db=Known(60.0)
    )
    true_db = -25.0
    shown = true_db + bias_db(true_db + 30.0, "rms")
    point = reflection_at(GRID, flat(-shown), 1.7e9, near)
    assert 20 * np.log10(point.gamma) == pytest.approx(true_db, abs=1e-9)
    assert "near-noise" in point.flags
    assert {t.name: t.contribution for t in point.budget.terms}["noise"] > 0.2


def test_a_reading_of_noise_alone_is_an_upper_limit() -> None:
    near = known(dynamic_range_db=Known(30.0), directivity_db=Known(60.0))
    loss, *_ = reflection_results(GRID, flat(30.5), [1.7e9], near)
    assert "near-noise" in loss.flags
    assert loss.high is None
    assert loss.low < 30.5


def test_defaults_flag_the_result_until_all_are_replaced() -> None:
    (loss,) = reflection_results(
        GRID, flat(14.0), [1.7e9], ReflectionKnowledge(), quantities=["return_loss"]
    )
    assert loss.flags == ("assumed-term",)
    assert {t.name for t in loss.budget.terms if t.assumed} == {
        "directivity", "source match", "baseline left-over", "linearity", "connector",
        "connector reflection", "drift",
    }  # fmt: skip
    assert assumptions(known()) == ()
    assert "directivity_db" in assumptions(ReflectionKnowledge())


def test_a_joint_that_reflects_widens_a_deep_return_loss_and_hardly_a_shallow_one() -> None:
    """Each simulated reading holds a joint of its own; the interval still holds the truth."""
    joint, rng, held = 0.008, np.random.default_rng(12), []
    bench = known(joint_gamma_sd=Known(joint), directivity_db=Known(60.0))
    for trial in range(400):
        added = joint * (rng.standard_normal() + 1j * rng.standard_normal())
        trace = np.full(GRID.shape, 20.0 * np.log10(abs(0.03 + added)))
        point = reflection_at(GRID, trace, 1.7e9, bench, seed=trial)
        held.append((point.gamma_low or 0.0) <= 0.03 <= point.gamma_high)
    assert 0.92 <= np.mean(held) <= 0.98  # three standard deviations of 400 trials
    alone = replace(bench, joint_gamma_sd=Known(0.0))
    widths = [
        [reflection_at(GRID, flat(loss_db), 1.7e9, one).budget.standard for one in (bench, alone)]
        for loss_db in (30.0, 6.0)
    ]
    assert widths[0][0] > 2.0 * widths[0][1]
    assert widths[1][0] < 1.5 * widths[1][1]


def test_between_points_the_parabola_is_met_and_its_miss_is_budgeted() -> None:
    squared = 0.01 + ((GRID - 1.7e9) / 0.2e9) ** 2
    trace = 10 * np.log10(squared)
    at = 1.705e9  # halfway between two points, where a straight line misses most
    point = reflection_at(GRID, trace, at, known())
    truth = 0.01 + (0.005 / 0.2) ** 2
    (miss,) = (t for t in point.budget.terms if t.name == "interpolation")
    assert abs(20 * np.log10(point.gamma) - 10 * np.log10(truth)) <= miss.size * 1.001
    on_grid = reflection_at(GRID, trace, 1.7e9, known())
    assert "interpolation" not in {t.name for t in on_grid.budget.terms}


@pytest.mark.parametrize("at_hz", [1.4e9, 2.0e9])
def test_outside_the_trace_is_refused(at_hz: float) -> None:
    with pytest.raises(ReductionRefused, match="runs from 1500 to 1900 MHz"):
        reflection_at(GRID, flat(10), at_hz, known())


def test_an_unknown_quantity_is_refused_by_name() -> None:
    with pytest.raises(ReductionRefused, match="unknown reflection quantity swr, known are"):
        reflection_results(GRID, flat(10), [1.7e9], known(), quantities=["swr"])


def test_the_model_and_its_inverse_undo_each_other() -> None:
    rng = np.random.default_rng(1)
    g, d, s = (a * np.exp(2j * np.pi * rng.uniform(size=50)) for a in (0.4, 0.05, 0.2))
    np.testing.assert_allclose(reflection(reading(g, d, s), d, s), g, atol=1e-14)


def test_averaging_open_and_short_leaves_far_less_than_one_of_them() -> None:
    one, both = (baseline_leftover_db(0.03, 0.1, kind) for kind in ("short", "open-and-short"))
    assert one == pytest.approx(8.686 * 0.13, rel=1e-4)
    assert both == pytest.approx(8.686 * 0.13**2 / 2, rel=1e-4)


def test_roughness_sees_noise_and_not_the_notch() -> None:
    rng = np.random.default_rng(6)
    f = np.linspace(-1, 1, 401)
    notch = 10 * np.log10(0.01 + 4 * f**2 / (1 + 4 * f**2))
    assert roughness_db(notch) < 0.002
    assert roughness_db(notch + rng.normal(0, 0.05, 401)) == pytest.approx(0.05, rel=0.15)
    assert roughness_db(np.zeros(5)) == 0.0


@pytest.mark.parametrize("return_loss_db", [12.0, 25.0, 36.0])
def test_few_draws_give_the_ends_of_the_interval_that_a_long_run_gives(
    return_loss_db: float,
) -> None:
    """As many as the interval of a curve has: within 6 % of its width, three times what is usual
    for a quantile of so many draws."""
    few, many = (
        reflection_at(GRID, flat(return_loss_db), 1.7e9, known(), trials=trials)
        for trials in (INTERVAL_TRIALS, 400_000)
    )
    assert few.budget.trials in (0, INTERVAL_TRIALS)
    assert many.gamma_low is not None
    width = many.gamma_high - many.gamma_low
    assert few.gamma_low == pytest.approx(many.gamma_low, abs=0.06 * width)
    assert few.gamma_high == pytest.approx(many.gamma_high, abs=0.06 * width)
