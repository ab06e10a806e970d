"""Budgets against published worked examples and against GTC."""

import math
from dataclasses import replace

import GTC
import numpy as np
import pytest

from benchd.reduce.budget_inputs import GainKnowledge, Known, ReflectionKnowledge
from benchd.reduce.gain_by_substitution import gain_transfer_dbi, transfer_terms
from benchd.reduce.montecarlo import interval, unit_draws
from benchd.reduce.reflection import reflection_at, return_loss_terms
from benchd.reduce.reflectometer import gamma_draws
from benchd.reduce.uncertainty import combine, term
from benchd.results import Budget, Term

GRID_HZ = np.linspace(1e9, 2e9, 11)


def known_bench() -> ReflectionKnowledge:
    """The bench of example (i) in the measurement notes."""
    return ReflectionKnowledge(
        directivity_db=Known(35.0),
        source_match_db=Known(20.0),
        tracking_db=Known(0.1),
        linearity_db=Known(0.3),
        connector_sd_db=Known(0.05),
        joint_gamma_sd=Known(0.0),
        drift_db=Known(0.0),
        noise_sd_db=Known(0.06),
    )


def budget_at(return_loss_db: float) -> Budget:
    """The budget of a flat trace of one return loss."""
    flat = np.full(GRID_HZ.shape, -return_loss_db)
    return reflection_at(GRID_HZ, flat, 1.5e9, known_bench()).budget


def test_terms_of_a_return_loss_of_20_db() -> None:
    """Source: measurement notes of the project, example (i), reproduced with GTC below."""
    found = {line.name: round(line.contribution, 3) for line in budget_at(20.0).terms}
    assert found == {
        "directivity": 1.092,
        "source match": 0.061,
        "tracking": 0.058,
        "linearity": 0.173,
        "connector": 0.050,
        "connector reflection": 0.0,
        "drift": 0.0,
        "noise": 0.060,
    }


@pytest.mark.parametrize(
    ("return_loss_db", "standard_db"), [(10.0, 0.443), (15.0, 0.655), (20.0, 1.112), (25.0, 1.953)]
)
def test_return_loss_uncertainty_by_level(return_loss_db: float, standard_db: float) -> None:
    """Source: example (i), printed to a thousandth."""
    assert round(budget_at(return_loss_db).standard, 3) == standard_db


def test_reflection_magnitude_uncertainty_of_example_i() -> None:
    """Source: example (i): u(|G|) = 0.01280 at 20 dB."""
    assert round(budget_at(20.0).standard / 8.685889638 * 0.1, 5) == 0.01280


def test_monte_carlo_of_example_i() -> None:
    """Source: example (i): standard deviation 1.116 dB, 95 % interval 18.39 to 21.85 dB.

    The printed interval rests on other draws and on the forward model; 0.05 dB is 1.5 % of it.
    The stated one weighs each draw by even magnitudes (`near_leak`), which moves both ends towards
    the deeper side by half the relative variance, 0.016 x 8.7/2 dB = 0.07 dB.
    """
    rng = np.random.default_rng(8)
    scale_db = rng.uniform(-0.1, 0.1, 400_000) + rng.uniform(-0.3, 0.3, 400_000)
    scale_db += rng.normal(0, math.hypot(0.06, 0.05), 400_000)
    gamma = gamma_draws(0.1, scale_db, known_bench(), rng)
    drawn_db = -20 * np.log10(gamma)
    assert drawn_db.std() == pytest.approx(1.116, abs=0.01)
    assert interval(drawn_db) == pytest.approx((18.39, 21.85), abs=0.05)
    budget = budget_at(20.0)
    assert budget.method == "monte-carlo"
    assert (budget.low, budget.high) == pytest.approx((18.39 + 0.07, 21.85 + 0.07), abs=0.05)


def test_gtc_gives_the_same_return_loss_budget() -> None:
    """Source: GTC, the same model M = D + T G/(1 - S G) propagated in rectangular components."""
    leak = GTC.ureal(0, 10 ** (-35 / 20) / math.sqrt(2))
    match = GTC.ureal(0, 10 ** (-20 / 20) / math.sqrt(2))
    scale = GTC.ureal(0, 0.1 / math.sqrt(3)) + GTC.ureal(0, 0.3 / math.sqrt(3))
    scale += GTC.ureal(0, 0.06) + GTC.ureal(0, 0.05)
    gamma = 0.1
    reading = leak + GTC.exp(scale * math.log(10) / 20) * gamma / (1 - match * gamma)
    expected = GTC.uncertainty(-20 * GTC.log10(reading))
    assert budget_at(20.0).standard == pytest.approx(expected, rel=1e-6)


def test_gtc_gives_the_same_budget_with_a_joint_that_reflects() -> None:
    """Source: GTC, the same model with what the joint reflects added to the reflection."""
    leak = GTC.ureal(0, 10 ** (-35 / 20) / math.sqrt(2))
    match = GTC.ureal(0, 10 ** (-20 / 20) / math.sqrt(2))
    scale = GTC.ureal(0, math.hypot(0.1, 0.3) / math.sqrt(3)) + GTC.ureal(0, math.hypot(0.06, 0.05))
    gamma = 0.1 + GTC.ureal(0, 0.004)
    reading = leak + GTC.exp(scale * math.log(10) / 20) * gamma / (1 - match * gamma)
    expected = GTC.uncertainty(-20 * GTC.log10(reading))
    known = replace(known_bench(), joint_gamma_sd=Known(0.004))
    found = reflection_at(GRID_HZ, np.full(GRID_HZ.shape, -20.0), 1.5e9, known).budget
    assert found.standard == pytest.approx(expected, rel=1e-6)


def gain_bench() -> GainKnowledge:
    """Example (ii): what the table of the measurement notes lists."""
    return GainKnowledge(
        reference_gain_expanded_db=Known(0.25),
        port_match_db=Known(20.0),
        box_sd_db=Known(0.470, degrees_of_freedom=7),
        range_m=0.4,
        range_offset_m=Known(0.010),
        linearity_db=Known(0.2),
        cable_sd_db=Known(0.100, degrees_of_freedom=9),
        noise_sd_db=Known(0.060),
        finite_range_db=Known(0.1),
        reflection_sd=Known(0.0126),
        drift_db=Known(0.05),
        polarisation_deg=Known(5.0),
    )


def test_terms_of_the_gain_transfer_example() -> None:
    """Source: measurement notes, example (ii), rounded as printed."""
    lines = transfer_terms(Known(0.3162), Known(0.2), gain_bench(), realised=False)
    found = {line.name: round(line.contribution, 3) for line in lines}
    assert found == {
        "box": 0.470,
        "range and phase centre": 0.125,
        "linearity": 0.115,
        "finite range": 0.058,
        "drift": 0.029,
        "polarisation": 0.010,
        "reference gain": 0.125,
        "cable and switch, test": 0.100,
        "cable and switch, reference": 0.100,
        "noise, test": 0.060,
        "noise, reference": 0.060,
        "mismatch at test": 0.194,
        "mismatch at reference": 0.123,
        "reflection of test": 0.038,
        "reflection of reference": 0.023,
    }


def test_the_gain_transfer_example_combines_as_printed() -> None:
    """Source: example (ii): u 0.593, freedom 17.7, k 2.103, U 1.25; realised u 0.592.

    Its printed gains, 9.636 and 9.178 dBi, lie 0.006 dB above the formula's own arithmetic (both,
    so they cancel in the difference, which is checked to a thousandth).
    """
    gain, realised = gain_transfer_dbi(2.15, -38.0 + 45.2, 0.3162, 0.2)
    assert gain == pytest.approx(9.636, abs=0.007)
    assert realised == pytest.approx(9.178, abs=0.007)
    assert gain - realised == pytest.approx(9.636 - 9.178, abs=0.001)
    lines = transfer_terms(Known(0.3162), Known(0.2), gain_bench(), realised=False)
    budget = combine(lines, estimate=gain)
    assert round(budget.standard, 3) == 0.593
    assert round(budget.degrees_of_freedom, 1) == 17.7
    assert round(budget.coverage_factor, 3) == 2.103
    assert round(budget.expanded, 2) == 1.25
    lines = transfer_terms(Known(0.3162), Known(0.2), gain_bench(), realised=True)
    assert round(combine(lines, estimate=realised).standard, 3) == 0.592


def test_gtc_gives_the_same_gain_budget() -> None:
    """Source: GTC, the gain formula with its 15 inputs."""
    inf = math.inf

    def real(value: float, standard: float, freedom: float = inf) -> GTC.lib.UncertainReal:
        return GTC.ureal(value, standard, freedom)

    third = 1 / math.sqrt(3)
    test, reference = real(0.3162, 0.0126), real(0.2, 0.0126)
    level_a = real(-38.0, 0.06) + real(0, 0.1, 9)
    level_r = real(-45.2, 0.06) + real(0, 0.1, 9)
    gain = real(2.15, 0.125) + level_a - level_r
    gain += 10 * GTC.log10((1 - reference**2) / (1 - test**2))
    gain += 8.685889638 * (real(0, 0.03162 / math.sqrt(2)) - real(0, 0.02 / math.sqrt(2)))
    gain += real(0, 0.47, 7) + 20 * GTC.log10(real(0.4, 0.01 * third) / 0.4)
    gain += real(0, 0.2 * third) + real(0, 0.1 * third) + real(0, 0.05 * third)
    gain += real(0, -10 * math.log10(math.cos(math.radians(5))) * third)
    lines = transfer_terms(Known(0.3162), Known(0.2), gain_bench(), realised=False)
    value, _ = gain_transfer_dbi(2.15, 7.2, 0.3162, 0.2)
    budget = combine(lines, estimate=value)
    assert value == pytest.approx(GTC.value(gain), abs=1e-9)
    assert budget.standard == pytest.approx(GTC.uncertainty(gain), rel=1e-6)
    assert budget.degrees_of_freedom == pytest.approx(GTC.dof(gain), rel=1e-6)


def test_power_sensor_of_ea_4_02_s6() -> None:
    """Source: EA-4/02 example S6: K = 0.933024, u = 0.016176. Its inputs from memory.

    Three observed ratios, standard 0.957 drifting by -0.001 +- 0.002, mismatches 2 g_g g_s at
    18 GHz (0.07 with 0.10 and 0.12) and at 50 MHz (all 0.02), ratio instrument U = 0.002.
    """
    ratios = np.array([0.9772, 0.9671, 0.9836])
    p, factor = ratios.mean(), 0.957 - 0.001
    k = factor * p
    lines = [
        term("standard", 0.011, "1", "expanded", sensitivity=p),
        term("drift", 0.002, "1", "rectangular", sensitivity=p),
        term(
            "ratio",
            ratios.std(ddof=1) / math.sqrt(3),
            "1",
            sensitivity=factor,
            degrees_of_freedom=2,
        ),
    ]
    for size in (2 * 0.07 * 0.10, 2 * 0.07 * 0.12, 2 * 0.02 * 0.02, 2 * 0.02 * 0.02):
        lines.append(term("mismatch", size, "1", "u-shaped", sensitivity=k))
    lines += [term("instrument", 0.002, "1", "expanded", sensitivity=k) for _ in range(2)]
    budget = combine(lines, estimate=k)
    assert round(k, 6) == 0.933024
    # The inputs are remembered in the rounded form that the example prints.
    assert budget.standard == pytest.approx(0.016176, abs=2e-6)


def test_step_attenuator_of_ea_4_02_s7() -> None:
    """Source: EA-4/02 example S7: 30.04325 dB, u = 0.0224185, 109 degrees of freedom."""
    seen = np.array([30.033, 30.058, 30.018, 30.052])
    value = seen.mean() + 0.003
    mismatch = term("mismatch", 0.0283, "dB", "u-shaped")
    lines: list[Term] = [
        term("observations", seen.std(ddof=1) / 2, "dB", degrees_of_freedom=3),
        term("reference", 0.005, "dB", "expanded"),
        term("drift", 0.002, "dB", "rectangular"),
        mismatch,
        term("leakage", 0.003, "dB", "rectangular"),
        *(term("resolution", 0.0005, "dB", "rectangular") for _ in range(2)),
        *(term("resolution at zero", 0.002, "dB") for _ in range(2)),
    ]
    budget = combine(lines, estimate=value)
    assert round(value, 5) == 30.04325
    assert round(mismatch.contribution, 4) == 0.0200
    assert budget.standard == pytest.approx(0.0224185, abs=1e-6)
    assert round(budget.degrees_of_freedom) == 109


def test_correlated_inputs_of_jcgm_100_h2_through_shared_sources() -> None:
    """Source: JCGM 100:2008, H.2: R 127.732 (0.071), X 219.847 (0.296), Z 254.260 (0.236) ohm.

    The covariance of the means is split into three independent errors (Cholesky), each of which
    enters voltage, current and phase as terms of one source.
    """
    seen = np.array(
        [
            [5.007, 4.994, 5.005, 4.990, 4.999],
            [19.663e-3, 19.639e-3, 19.640e-3, 19.685e-3, 19.678e-3],
            [1.0456, 1.0438, 1.0468, 1.0428, 1.0433],
        ]
    )
    v, i, phase = seen.mean(axis=1)
    root = np.linalg.cholesky(np.cov(seen) / 5)
    z = v / i
    slopes = {
        "R": (
            z * np.cos(phase),
            (z / v * np.cos(phase), -z / i * np.cos(phase), -z * np.sin(phase)),
        ),
        "X": (
            z * np.sin(phase),
            (z / v * np.sin(phase), -z / i * np.sin(phase), z * np.cos(phase)),
        ),
        "Z": (z, (z / v, -z / i, 0.0)),
    }
    found = {}
    for name, (value, partial) in slopes.items():
        lines = [
            term(
                f"input {row}",
                abs(root[row, error]),
                "1",
                sensitivity=partial[row] * np.sign(root[row, error] or 1.0),
                source=f"error {error}",
            )
            for row in range(3)
            for error in range(3)
        ]
        budget = combine(lines, estimate=float(value))
        found[name] = (round(float(value), 3), round(budget.standard, 3))
    assert found == {"R": (127.732, 0.071), "X": (219.847, 0.296), "Z": (254.260, 0.236)}


@pytest.mark.parametrize(("r", "standard"), [(0.0, 1.12e-4), (0.9, 1.21e-4)])
def test_mismatch_monte_carlo_of_jcgm_101_9_4(r: float, standard: float) -> None:
    """Source: JCGM 101:2008, 9.4: x1 = 0.010, u = 0.005; loss X1^2 + X2^2, mean 1.5e-4."""
    rng = np.random.default_rng(94)
    error = term("reflection", 0.005, "1")
    first = unit_draws(error, rng, 1_000_000)
    second = r * first + math.sqrt(1 - r**2) * unit_draws(error, rng, 1_000_000)
    loss = (0.010 + 0.005 * first) ** 2 + (0.005 * second) ** 2
    assert loss.std() == pytest.approx(standard, abs=0.5e-6)
    assert loss.mean() == pytest.approx(1.5e-4, abs=1e-6)
    low, high = interval(loss, shortest=True)
    symmetric = interval(loss)
    assert high - low < symmetric[1] - symmetric[0]
    assert np.mean((loss >= low) & (loss <= high)) == pytest.approx(0.95, abs=1e-4)


def test_a_return_loss_budget_has_all_its_terms_at_any_level() -> None:
    """Source: measurement notes, section 2 (i): names of the terms, none lost at 40 dB."""
    names = [line.name for line in return_loss_terms(0.01, known_bench())]
    assert names == [
        "directivity", "source match", "tracking", "linearity", "connector",
        "connector reflection", "drift",
    ]  # fmt: skip
