"""Budgets: combination, shared errors, freedom, and the rule that calls for Monte Carlo."""

import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from benchd.reduce.montecarlo import (
    interval,
    linear_draws,
    phasors,
    settle,
    unit_draws,
    wants_draws,
)
from benchd.reduce.uncertainty import (
    combine,
    difference,
    has_assumed,
    improve_first,
    scaled,
    shares,
    term,
)
from benchd.results import Distribution

SIZES = st.floats(0.001, 10.0)


@pytest.mark.parametrize(
    ("shape", "divisor"),
    [
        ("normal", 1.0),
        ("rectangular", math.sqrt(3)),
        ("triangular", math.sqrt(6)),
        ("u-shaped", math.sqrt(2)),
        ("expanded", 2.0),
    ],
)
def test_each_distribution_has_its_divisor_and_draws_of_unit_variance(
    shape: Distribution, divisor: float
) -> None:
    line = term("x", 3.0, "dB", shape, sensitivity=-2.0)
    assert line.contribution == pytest.approx(6.0 / divisor)
    draws = unit_draws(line, np.random.default_rng(1), 200_000)
    assert draws.std() == pytest.approx(1.0, abs=0.01)
    assert draws.mean() == pytest.approx(0.0, abs=0.01)
    if shape in ("rectangular", "triangular", "u-shaped"):
        assert np.abs(draws).max() == pytest.approx(divisor, rel=0.01)


@given(SIZES, SIZES)
def test_independent_terms_add_in_quadrature(one: float, two: float) -> None:
    budget = combine([term("a", one, "dB"), term("b", two, "dB", sensitivity=-1)], estimate=5.0)
    assert budget.standard == pytest.approx(math.hypot(one, two))
    assert (budget.low + budget.high) / 2 == pytest.approx(5.0)
    assert budget.expanded == pytest.approx(budget.coverage_factor * budget.standard)


@given(SIZES, SIZES)
def test_one_error_seen_twice_adds_with_its_signs(one: float, two: float) -> None:
    same = [term("a", one, "dB", source="scale"), term("b", two, "dB", source="scale")]
    opposite = [same[0], term("b", two, "dB", sensitivity=-1, source="scale")]
    assert combine(same, estimate=0).standard == pytest.approx(one + two)
    assert combine(opposite, estimate=0).standard == pytest.approx(abs(one - two))
    draws = linear_draws(opposite, np.random.default_rng(2), 1000)
    assert draws.std() <= 1.2 * abs(one - two) + 1e-12


def test_what_two_results_share_cancels_in_their_difference() -> None:
    first = combine(
        [term("reference gain", 0.5, "dB", source="dipole"), term("noise", 0.1, "dB")], estimate=9.0
    )
    second = combine(
        [term("reference gain", 0.5, "dB", source="dipole"), term("noise", 0.1, "dB")], estimate=8.0
    )
    apart = difference(first, second, estimate=1.0)
    assert apart.standard == pytest.approx(0.1 * math.sqrt(2))
    assert apart.low < 1.0 < apart.high


def test_few_repeats_raise_the_coverage_factor() -> None:
    budget = combine([term("spread", 1.0, "dB", degrees_of_freedom=3)], estimate=0.0)
    assert budget.degrees_of_freedom == pytest.approx(3.0)
    assert budget.coverage_factor == pytest.approx(3.182, abs=1e-3)  # JCGM 100, table G.2


def test_a_budget_without_terms_is_exact_and_stated_limits_have_infinite_freedom() -> None:
    assert combine([], estimate=2.0).expanded == 0.0
    limits = combine([term("a", 1.0, "dB", "rectangular")], estimate=0.0)
    assert limits.degrees_of_freedom == math.inf


@pytest.mark.parametrize("size", [-1.0, math.nan, math.inf])
def test_a_size_that_cannot_be_is_refused(size: float) -> None:
    with pytest.raises(ValueError, match="term noise: size"):
        term("noise", size, "dB")


def test_a_dominant_u_shaped_term_takes_its_interval_from_draws() -> None:
    terms = [term("leak", 1.0, "dB", "u-shaped"), term("noise", 0.05, "dB")]
    budget = settle(terms, estimate=10.0)
    assert budget.method == "monte-carlo"
    # 95 % of an arcsine law: sin(0.95 pi/2) = 0.9969 of its half-width.
    assert budget.high - 10.0 == pytest.approx(1.0, abs=0.04)
    assert budget.expanded == pytest.approx((budget.high - budget.low) / 2)
    assert budget == settle(terms, estimate=10.0), "seeded: the same numbers every time"


def test_balanced_terms_keep_the_plain_interval() -> None:
    terms = [term("leak", 1.0, "dB", "u-shaped"), term("box", 1.0, "dB")]
    assert settle(terms, estimate=0.0).method == "gum"
    assert wants_draws(terms, relative_standard=0.2)
    assert not wants_draws([])


def test_the_shortest_interval_is_not_longer_and_holds_as_much() -> None:
    draws = np.random.default_rng(5).exponential(size=100_000)
    low, high = interval(draws)
    short_low, short_high = interval(draws, shortest=True)
    # Exponential law: shortest 95 % is (0, ln 20); symmetric is (0.0253, 3.689).
    assert (short_low, short_high) == (pytest.approx(0, abs=0.01), pytest.approx(2.996, abs=0.05))
    assert (low, high) == (pytest.approx(0.0253, abs=0.003), pytest.approx(3.689, abs=0.06))


def test_finite_freedom_widens_the_draws() -> None:
    few = unit_draws(term("a", 1, "dB", degrees_of_freedom=4), np.random.default_rng(1), 200_000)
    assert np.quantile(few, 0.975) == pytest.approx(2.776, abs=0.05)  # t, JCGM 100 table G.2


def test_the_person_is_told_what_to_improve_first() -> None:
    budget = combine([term("noise", 0.3, "dB"), term("box", 0.4, "dB", assumed=True)], estimate=0.0)
    assert [line.name for line, _ in shares(budget)] == ["box", "noise"]
    assert improve_first(budget) == (
        "Work on box first: without it the standard uncertainty would fall from 0.5 to 0.3; "
        "its size is assumed, so measure it first."
    )
    assert improve_first(combine([], estimate=0.0)) == "No term contributes."


def test_assumed_terms_count_only_where_they_matter() -> None:
    assert has_assumed([term("a", 0.1, "dB", assumed=True)])
    assert not has_assumed([term("a", 0.0, "dB", assumed=True), term("b", 1.0, "dB")])


def test_scaling_keeps_errors_and_turns_signs() -> None:
    (line,) = scaled([term("a", 2.0, "dB", sensitivity=3.0, source="s")], -0.5)
    assert (line.sensitivity, line.contribution, line.source) == (-1.5, 3.0, "s")


def test_advice_names_the_unit_and_gains_differ_by_db() -> None:
    lines = (term("box", 0.4, "dB"), term("noise", 0.3, "dB"))
    budget = combine(lines, estimate=9.0)
    assert improve_first(budget, "dBi") == (
        "Work on box first: without it the standard uncertainty would fall from 0.5 dB to 0.3 dB."
    )
    assert improve_first(budget, "1") == (
        "Work on box first: without it the standard uncertainty would fall from 0.5 to 0.3."
    )


def test_phasors_are_the_complex_exponential() -> None:
    """Against numpy's own, also where the tangent of half the phase is next to infinite."""
    phase = np.concatenate(
        [np.random.default_rng(5).uniform(-2e3, 2e3, 10_000), np.pi * np.arange(-8, 9), [0.0]]
    )
    np.testing.assert_allclose(phasors(phase), np.exp(1j * phase), rtol=0.0, atol=2e-15)
