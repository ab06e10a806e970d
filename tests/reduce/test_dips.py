"""Several dips, none, and what leak and noise leave open between them."""

import math
from dataclasses import replace
from typing import Any

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from benchd.reduce.budget_inputs import Known, ReflectionKnowledge
from benchd.reduce.dips import dip_results, dips
from benchd.reduce.resonance import ANOTHER_DIP
from tests.generated import many

KNOWN = ReflectionKnowledge(
    directivity_db=Known(40.0),
    source_match_db=Known(25.0),
    linearity_db=Known(0.05),
    connector_sd_db=Known(0.02),
    joint_gamma_sd=Known(0.0),
    drift_db=Known(0.0),
    noise_sd_db=Known(0.005),
    line_delay_s=Known(2e-9),
    frequency_error=Known(1e-6),
)


def modes(f: Any, *parts: tuple[float, float, float]) -> Any:
    """Reflection on 50 ohm of parallel circuits in a row: (Hz, ohm, Q) each."""
    impedance = sum(ohm / (1 + 1j * q * (f / f0 - f0 / f)) for f0, ohm, q in parts)
    return (impedance - 50) / (impedance + 50)


def db(gamma: Any) -> Any:
    return 20 * np.log10(np.abs(gamma))


def seen(f: Any, gamma: Any, leak: float, match: float, delay_s: float, phase: float) -> Any:
    """What a reflectometer reads over tracking, dB, its leak behind a line: d + G/(1 - S G)."""
    turn = np.exp(1j * (phase + 4 * np.pi * delay_s * f))
    return db(leak * turn + gamma / (1 - match * np.conj(turn) * gamma))


F = np.linspace(1.6e9, 2.1e9, 501)
TWO = ((1.79e9, 43.0, 40.0), (1.875e9, 46.0, 40.0))


def true_dips(f: Any, gamma: Any) -> list[float]:
    """Local minima of the reflection, deepest first, Hz."""
    fine = np.linspace(f[0], f[-1], 20_001)
    size = np.interp(fine, f, np.abs(gamma))
    at = [n for n in range(1, fine.size - 1) if size[n - 1] > size[n] <= size[n + 1]]
    return [float(fine[n]) for n in sorted(at, key=lambda n: size[n])]


def test_both_of_two_dips_are_told_each_with_its_interval_and_its_depth() -> None:
    gamma = modes(F, *TWO)
    truth = true_dips(F, gamma)
    results = dip_results(dips(F, db(gamma), lambda _: KNOWN))
    found = {one.quantity: one for one in results}
    assert found["resonance_count"].value == 2.0
    for name, true_hz in zip(
        ("resonance_frequency", "further_resonance_frequency"), truth, strict=True
    ):
        assert found[name].low < true_hz < found[name].high
        assert found[name].high - found[name].low < 10e6
    for name, true_hz in zip(
        ("resonance_return_loss", "further_resonance_return_loss"), truth, strict=True
    ):
        true_db = -float(np.interp(true_hz, F, db(gamma)))
        assert (found[name].low or 0.0) < true_db
        assert found[name].high is None or true_db < found[name].high
    assert found["further_resonance_frequency"].note.startswith("Dip 2 of 2, ")


@pytest.mark.parametrize("phase", np.linspace(0.0, 2 * np.pi, 8, endpoint=False))
def test_an_order_that_the_leak_could_turn_round_is_flagged(phase: float) -> None:
    """Dips of 26 and 27 dB under a leak of 30 dB: either may read deeper, and it says so."""
    gamma = modes(F, (1.79e9, 45.5, 40.0), (1.875e9, 46.0, 40.0))
    known = replace(KNOWN, directivity_db=Known(30.0))
    found = dips(F, seen(F, gamma, 10**-1.5, 0.0, 2e-9, phase), lambda _: known)
    assert ANOTHER_DIP in found.meant.flags
    assert len(found.found) == 2
    deepest_hz = true_dips(F, gamma)[0]
    intervals = [(one.resonance.budget.low, one.resonance.budget.high) for one in found.found]
    assert any(low <= deepest_hz <= high for low, high in intervals)
    for result in dip_results(found):
        if result.quantity in ("resonance_count", "resonance_frequency"):
            assert ANOTHER_DIP in result.flags


def test_noise_alone_leaves_the_order_open_as_well() -> None:
    gamma = modes(F, (1.79e9, 45.5, 40.0), (1.875e9, 46.0, 40.0))
    quiet = replace(KNOWN, directivity_db=Known(70.0))
    assert ANOTHER_DIP not in dips(F, db(gamma), lambda _: quiet).meant.flags
    noisy = replace(quiet, dynamic_range_db=Known(18.0), independent_samples=5.0)
    rng = np.random.default_rng(3)
    hiss = 10 ** (-18 / 20) * np.sqrt(0.5) * (
        rng.normal(size=(F.size, 5)) + 1j * rng.normal(size=(F.size, 5))
    )  # fmt: skip
    power = np.mean(np.abs(gamma[:, None] + hiss) ** 2, axis=1)
    assert ANOTHER_DIP in dips(F, 10 * np.log10(power), lambda _: noisy).meant.flags


def test_an_order_that_is_certain_is_not_flagged() -> None:
    gamma = modes(F, (1.79e9, 30.0, 40.0), (1.875e9, 46.0, 40.0))
    found = dips(F, db(gamma), lambda _: KNOWN)
    assert len(found.found) == 2
    assert found.meant.flags == ()
    assert not found.found[1].could_be_deepest
    assert found.meant.budget.low < true_dips(F, gamma)[0] < found.meant.budget.high


def test_the_dip_nearest_to_a_frequency_may_be_meant() -> None:
    gamma = modes(F, (1.79e9, 30.0, 40.0), (1.875e9, 46.0, 40.0))
    deepest, other = true_dips(F, gamma)
    for near_hz, meant_hz in ((1.78e9, min(deepest, other)), (1.9e9, max(deepest, other))):
        found = dips(F, db(gamma), lambda _: KNOWN, meant="nearest", near_hz=near_hz)
        assert found.meant.budget.low < meant_hz < found.meant.budget.high
        assert ANOTHER_DIP not in found.meant.flags
        assert len(found.found) == 2


def test_a_known_coupling_makes_resonance_and_unloaded_q_surer() -> None:
    """A series circuit of 75 ohm, Q 5: undercoupled, loaded 3, unloaded 5."""
    f = np.linspace(1.3e9, 2.1e9, 201)
    impedance = 75.0 * (1 + 5j * (f / 1.7e9 - 1.7e9 / f))
    trace = db((impedance - 50) / (impedance + 50))
    found = {}
    for coupling in (None, "under"):
        known = replace(KNOWN, directivity_db=Known(28.0), coupling=coupling)
        for one in dip_results(dips(f, trace, lambda _, known=known: known)):
            found[coupling, one.quantity] = one
    unsure, sure = (found[one, "resonance_frequency"] for one in (None, "under"))
    assert sure.high - sure.low < 0.8 * (unsure.high - unsure.low)
    assert sure.low < 1.7e9 < sure.high
    assert found["under", "unloaded_q"].value == pytest.approx(5.0, rel=0.02)
    assert [line.name for line in found["under", "unloaded_q"].budget.terms] == ["loaded Q"]
    assert found[None, "unloaded_q"].low < 5.0 < found[None, "unloaded_q"].high


@settings(max_examples=many(60), deadline=None)
@given(
    ohm=st.floats(0.5, 4.0),
    reach=st.floats(60.0, 300.0),
    phase=st.floats(0.0, 2 * np.pi),
    delay_s=st.floats(0.5e-9, 8e-9),
    leak_db=st.floats(22.0, 40.0),
    match_db=st.floats(14.0, 30.0),
    seed=st.integers(0, 10_000),
)
def test_the_ripple_of_leak_and_source_match_is_never_a_resonance(
    ohm: float,
    reach: float,
    phase: float,
    delay_s: float,
    leak_db: float,
    match_db: float,
    seed: int,
) -> None:
    """Too short an antenna reflects nearly all, and ripples: 1/(1 - gamma^2) swings by more than
    any noise there."""
    impedance = ohm + 1j * reach * F / 1.8e9
    gamma = (impedance - 50) / (impedance + 50)
    leak, match = 10 ** (-leak_db / 20), 10 ** (-match_db / 20)
    read = seen(F, gamma, leak, match, delay_s, phase)
    # Open and short in the mean, as a baseline has them.
    full = [seen(F, sign * np.ones_like(F), leak, match, delay_s, phase) for sign in (1, -1)]
    noise = np.random.default_rng(seed).normal(0, 0.005, F.size)
    known = replace(
        KNOWN,
        directivity_db=Known(leak_db), source_match_db=Known(match_db), line_delay_s=Known(delay_s),
    )  # fmt: skip
    results = dip_results(dips(F, read - (full[0] + full[1]) / 2 + noise, lambda _: known))
    assert [one.value for one in results if one.quantity == "resonance_count"] == [0.0]
    # A slope may be told as one, with its flag; never a frequency with an interval.
    for one in results:
        assert one.quantity == "resonance_count" or one.flags[0] == "edge-of-band"
        assert one.quantity == "resonance_count" or one.low is None


@settings(max_examples=many(40), deadline=None)
@given(
    level=st.floats(-40.0, 1.0),
    rough_db=st.sampled_from([0.0, 0.01, 0.3, 3.0]),
    slope_db=st.floats(-20.0, 20.0),
    swing_db=st.floats(0.0, 15.0),
    turns=st.floats(0.1, 12.0),
    above_noise_db=st.one_of(st.none(), st.floats(0.0, 60.0)),
    points=st.sampled_from([7, 21, 101, 401]),
    seed=st.integers(0, 10_000),
)
def test_whatever_the_trace_no_result_is_anything_but_a_number(
    level: float,
    rough_db: float,
    slope_db: float,
    swing_db: float,
    turns: float,
    above_noise_db: float | None,
    points: int,
    seed: int,
) -> None:
    along = np.linspace(-1.0, 1.0, points)
    f = 1.7e9 + 0.2e9 * along
    rough = np.random.default_rng(seed).normal(0.0, rough_db, points)
    trace = level + slope_db * along + swing_db * np.sin(np.pi * turns * along) + rough
    known = replace(
        KNOWN,
        noise_sd_db=None,
        dynamic_range_db=None if above_noise_db is None else Known(above_noise_db),
    )
    for one in dip_results(dips(f, trace, lambda _: known)):
        for number in (one.value, one.low, one.high, one.expanded_uncertainty, one.coverage_factor):
            assert number is None or math.isfinite(number), one
        if one.low is not None and one.high is not None:
            assert one.low <= one.value <= one.high, one


def test_a_valley_too_uneven_for_one_resonance_is_told_as_wide_as_it_is() -> None:
    """Two modes with hardly a top between them, under a leak of 20 dB that ripples every 60 MHz:
    no fit stands, and still there is a deep dip; its interval holds the deepest one."""
    f = np.linspace(1.05e9, 1.33e9, 401)
    gamma = modes(f, (1.168e9, 47.0, 40.0), (1.22e9, 47.0, 40.0))
    known = replace(KNOWN, directivity_db=Known(20.0), line_delay_s=Known(8e-9))
    deepest_hz = true_dips(f, gamma)[0]
    held, without_fit = 0, 0
    for phase in np.linspace(0.0, 2 * np.pi, 24, endpoint=False):
        found = dips(f, seen(f, gamma, 0.1, 0.0, 8e-9, phase), lambda _: known)
        assert found.found, found.meant.flags
        without_fit += any(one.resonance.q_budget is None for one in found.found)
        assert without_fit == 0 or ANOTHER_DIP in found.meant.flags or found.meant.q_budget
        intervals = [(one.resonance.budget.low, one.resonance.budget.high) for one in found.found]
        held += any(low <= deepest_hz <= high for low, high in intervals)
        names = {one.quantity for one in dip_results(found)}
        assert {"resonance_frequency", "resonance_return_loss"} <= names
    assert held >= 22
