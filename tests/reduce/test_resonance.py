"""Resonance, band edges, Q and trim on circuits whose answers are known in closed form."""

import math
from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from benchd.errors import ReductionRefused
from benchd.reduce.bandwidth import band, band_results
from benchd.reduce.budget_inputs import Known, ReflectionKnowledge
from benchd.reduce.dips import dip_results, dips
from benchd.reduce.resonance import Resonance, resonance
from benchd.reduce.trim import TrimKnowledge, trim, trim_per_arm_m
from tests.generated import many

KNOWN = ReflectionKnowledge(
    directivity_db=Known(45.0),
    source_match_db=Known(30.0),
    linearity_db=Known(0.05),
    connector_sd_db=Known(0.02),
    joint_gamma_sd=Known(0.0),
    drift_db=Known(0.0),
    noise_sd_db=Known(0.005),
    line_delay_s=Known(1e-9),
    frequency_error=Known(1e-6),
)


def series_db(f: np.ndarray, f0_hz: float, ohm: float, q: float) -> np.ndarray:
    """|S11| in dB of a series circuit on 50 ohm."""
    z = ohm * (1 + 1j * q * (f / f0_hz - f0_hz / f))
    return 20 * np.log10(np.abs((z - 50) / (z + 50)))


@settings(max_examples=many(25), deadline=None)
@given(st.floats(1.65e9, 1.75e9), st.floats(30, 90), st.floats(4, 12))
def test_a_circuit_between_the_bins_is_found_with_its_q(f0_hz: float, ohm: float, q: float) -> None:
    f = np.linspace(1.3e9, 2.1e9, 101)  # bins 8 MHz apart
    found = resonance(f, series_db(f, f0_hz, ohm, q), KNOWN)
    # The quartic part of sinh^2 and unequal window ends leave under 0.02 % of f0.
    assert found.frequency_hz == pytest.approx(f0_hz, rel=2e-4)
    r = ohm / 50
    assert found.loaded_q == pytest.approx(q * r / (1 + r), rel=0.03)
    assert found.gamma == pytest.approx(abs(r - 1) / (r + 1), abs=0.02)
    assert found.budget is not None
    assert found.budget.low < f0_hz < found.budget.high


def test_results_of_a_resonance() -> None:
    f = np.linspace(1.5e9, 1.9e9, 201)
    trace = series_db(f, 1.684e9, 60.0, 8.0)
    count, frequency, depth, loaded, unloaded = dip_results(dips(f, trace, lambda _: KNOWN))
    assert (count.quantity, count.value, count.low, count.high) == (
        "resonance_count",
        1.0,
        1.0,
        1.0,
    )
    # 60 ohm on 50: a reflection of 1/11.
    assert (depth.quantity, depth.unit) == ("resonance_return_loss", "dB")
    assert depth.low < 20 * math.log10(11.0) < depth.high
    assert depth.frequency_hz == frequency.value
    assert (frequency.quantity, frequency.unit) == ("resonance_frequency", "Hz")
    assert frequency.budget.method == "monte-carlo"
    assert frequency.low < 1.684e9 < frequency.high
    assert [t.name for t in frequency.budget.terms] == [
        "directivity", "source match and baseline", "connector reflection", "noise", "curve",
        "frequency reference",
    ]  # fmt: skip
    assert loaded.quantity == "loaded_q"
    assert loaded.low < 8.0 * 1.2 / 2.2 < loaded.high
    # A scalar trace cannot tell 60 from 41.7 ohm: both belong into the interval.
    assert unloaded.low < 8.0 < unloaded.high
    assert frequency.flags == ()


def test_a_worse_coupler_makes_the_resonance_less_sure_in_proportion() -> None:
    f = np.linspace(1.5e9, 1.9e9, 201)
    trace = series_db(f, 1.7e9, 60.0, 8.0)
    spread = []
    for directivity_db in (45.0, 39.0, 33.0):
        changed = ReflectionKnowledge(
            directivity_db=Known(directivity_db), source_match_db=Known(60.0),
            noise_sd_db=Known(0.001), line_delay_s=Known(0.0),
        )  # fmt: skip
        found = resonance(f, trace, changed)
        leak = found.budget.terms[0]
        assert leak.distribution == "u-shaped"
        spread.append(leak.size)
    # Shift d/b sin p: 6 dB doubles it. b = 2 QL/f0 (1 - g0^2)... for r = 1.2, by |dG/df|.
    step = 1e3
    z = [60 * (1 + 8j * (x / 1.7e9 - 1.7e9 / x)) for x in (1.7e9 - step, 1.7e9 + step)]
    slope = abs((z[1] - 50) / (z[1] + 50) - (z[0] - 50) / (z[0] + 50)) / (2 * step)
    for size, directivity_db in zip(spread, (45.0, 39.0, 33.0), strict=True):
        # A fit over a window is not quite the local slope: 15 %.
        assert size == pytest.approx(10 ** (-directivity_db / 20) / slope, rel=0.15)


@pytest.mark.parametrize("f0_hz", [1.3e9, 1.49e9, 1.91e9, 2.2e9])
def test_a_minimum_outside_the_band_is_not_called_a_resonance(f0_hz: float) -> None:
    f = np.linspace(1.5e9, 1.9e9, 201)
    found = resonance(f, series_db(f, f0_hz, 60.0, 8.0), KNOWN)
    assert found.budget is None
    assert "edge-of-band" in found.flags
    count, result = dip_results(dips(f, series_db(f, f0_hz, 60.0, 8.0), lambda _: KNOWN))
    assert (count.quantity, count.value) == ("resonance_count", 0.0)
    assert result.expanded_uncertainty is None
    assert result.note.startswith("No minimum inside the sweep: this is its lowest point, not a ")
    assert result.note.endswith("Sweep wider.")
    assert result.value == (f[0] if f0_hz < 1.7e9 else f[-1])


@pytest.mark.parametrize("f0_hz", [1.1e9, 2.6e9])
def test_a_slope_no_larger_than_the_ripple_of_source_match_tells_of_no_resonance(
    f0_hz: float,
) -> None:
    """A return loss of 0.4 to 0.9 dB: 0.05 of reflection, where a source match of 30 dB makes
    0.06 from peak to dip. No frequency is told as a number."""
    f = np.linspace(1.5e9, 1.9e9, 201)
    (count,) = dip_results(dips(f, series_db(f, f0_hz, 60.0, 8.0), lambda _: KNOWN))
    assert (count.quantity, count.value) == ("resonance_count", 0.0)
    assert count.flags == ("no-resonance",)
    assert "the lowest reading is" in count.note


def test_a_minimum_just_inside_is_fitted_and_flagged() -> None:
    f = np.linspace(1.5e9, 1.9e9, 201)
    found = resonance(f, series_db(f, 1.53e9, 60.0, 8.0), KNOWN)
    assert found.flags == ("edge-of-band",)
    assert found.frequency_hz == pytest.approx(1.53e9, rel=1e-3)


def test_a_flat_trace_has_no_resonance() -> None:
    f = np.linspace(1.5e9, 1.9e9, 201)
    noise = np.random.default_rng(2).normal(0, 0.005, f.size)
    found = resonance(f, -6.0 + noise, KNOWN)
    assert found.flags == ("no-resonance",)
    assert found.budget is None


def test_the_deeper_of_two_is_taken_unless_a_band_is_named() -> None:
    f = np.linspace(1.0e9, 2.6e9, 801)
    trace = np.minimum(series_db(f, 1.3e9, 75.0, 20.0), series_db(f, 2.2e9, 55.0, 20.0))
    assert resonance(f, trace, KNOWN).frequency_hz == pytest.approx(2.2e9, rel=1e-3)
    named = resonance(f, trace, KNOWN, between_hz=(1.1e9, 1.6e9))
    assert named.frequency_hz == pytest.approx(1.3e9, rel=1e-3)


def test_a_deep_minimum_is_flagged_below_the_directivity() -> None:
    f = np.linspace(1.5e9, 1.9e9, 201)
    found = resonance(f, series_db(f, 1.7e9, 50.2, 8.0), KNOWN)
    assert found.flags == ("below-directivity",)


def test_near_noise_is_flagged_and_makes_the_frequency_less_sure() -> None:
    f = np.linspace(1.5e9, 1.9e9, 201)
    clean = series_db(f, 1.7e9, 60.0, 8.0)  # 20.8 dB deep
    rng = np.random.default_rng(9)
    noisy_known = ReflectionKnowledge(
        directivity_db=Known(45.0), source_match_db=Known(30.0), dynamic_range_db=Known(24.0),
        independent_samples=50.0, noise_sd_db=Known(0.0), line_delay_s=Known(1e-9),
    )  # fmt: skip
    shape = (201, 50)
    noise = 10 ** (-24 / 20) / math.sqrt(2) * (rng.normal(size=shape) + 1j * rng.normal(size=shape))
    power = np.mean(np.abs(10 ** (clean[:, None] / 20) + noise) ** 2, axis=1)
    found = resonance(f, 10 * np.log10(power), noisy_known)
    assert "near-noise" in found.flags
    assert found.budget.low < 1.7e9 < found.budget.high
    terms = {t.name: t.contribution for t in found.budget.terms}
    quiet = {t.name: t.contribution for t in resonance(f, clean, KNOWN).budget.terms}
    assert terms["noise"] > 5 * quiet["noise"]


def test_log_average_traces_are_corrected_by_their_own_law() -> None:
    f = np.linspace(1.5e9, 1.9e9, 201)
    changed = ReflectionKnowledge(
        dynamic_range_db=Known(60.0), detector="log-average", independent_samples=100.0
    )
    found = resonance(f, series_db(f, 1.7e9, 60.0, 8.0), changed)
    assert found.frequency_hz == pytest.approx(1.7e9, rel=1e-3)
    assert "assumed-term" in found.flags


def test_too_few_points_are_refused() -> None:
    f = np.linspace(1.5e9, 1.9e9, 6)
    with pytest.raises(ReductionRefused, match="6 points are too few"):
        resonance(f, np.zeros(6), KNOWN)


@pytest.mark.parametrize(("s", "q"), [(1.5, 8.0), (2.0, 8.0), (2.0, 20.0)])
def test_vswr_bandwidth_of_a_matched_circuit(s: float, q: float) -> None:
    """(s - 1)/(Q sqrt s) of f0 = sqrt(f1 f2): common textbook relation, exact for the circuit."""
    f = np.linspace(1.2e9, 2.4e9, 1201)
    level_db = -20 * math.log10((s - 1) / (s + 1))
    width, low, high = band_results(f, series_db(f, 1.7e9, 50.001, q), level_db, 1.7e9, KNOWN)
    assert width.value / 1.7e9 == pytest.approx((s - 1) / (q * math.sqrt(s)), rel=1e-3)
    assert math.sqrt(low.value * high.value) == pytest.approx(1.7e9, rel=1e-4)
    assert (width.quantity, low.quantity) == ("bandwidth", "bandwidth_low_edge")
    assert width.band_hz == (low.value, high.value)
    assert width.low < width.value < width.high


def test_an_open_band_is_reported_with_its_limit() -> None:
    f = np.linspace(1.6e9, 2.4e9, 801)
    width, low, high = band_results(f, series_db(f, 1.65e9, 50.001, 5.0), 10.0, 1.65e9, KNOWN)
    assert width.flags == ("open-band",)
    assert width.high is None
    assert width.expanded_uncertainty is None
    assert width.low <= width.value == pytest.approx(high.value - 1.6e9)
    assert width.note.startswith("Wider than the sweep at 10 dB return loss: told is the part")
    assert (low.value, low.expanded_uncertainty, low.flags) == (1.6e9, None, ("open-band",))
    assert high.flags == ()


def test_each_band_edge_takes_the_coupler_as_it_is_there() -> None:
    """Directivity 45 dB below 1.7 GHz and 25 dB above: 10 times the leak at the upper edge."""
    f = np.linspace(1.4e9, 2.0e9, 241)
    better, worse = KNOWN, replace(KNOWN, directivity_db=Known(25.0))
    _, low, high = band_results(
        f, series_db(f, 1.7e9, 50.001, 5.0), 10.0, 1.7e9, KNOWN,
        knowledge_at=lambda at_hz: better if at_hz < 1.7e9 else worse,
    )  # fmt: skip
    leaks = [
        next(line for line in edge.budget.terms if line.name == "directivity").contribution
        for edge in (low, high)
    ]
    assert leaks[1] == pytest.approx(10.0 * leaks[0], rel=0.15)  # the slopes differ a little
    assert high.high - high.low > 3.0 * (low.high - low.low)


def test_a_level_that_is_not_reached_is_no_band() -> None:
    f = np.linspace(1.5e9, 1.9e9, 201)
    (width,) = band_results(f, series_db(f, 1.7e9, 150.0, 5.0), 10.0, 1.7e9, KNOWN)
    assert (width.value, width.flags) == (0.0, ("no-band",))
    assert band(f, series_db(f, 1.7e9, 150.0, 5.0), 10.0, 1.7e9).low is None
    with pytest.raises(ReductionRefused, match="no band around 2000 MHz"):
        band(f, np.zeros(201), 10.0, 2.0e9)


def test_noise_at_a_crossing_is_averaged() -> None:
    f = np.linspace(1.5e9, 1.9e9, 2001)
    clean = series_db(f, 1.7e9, 50.001, 5.0)
    rng = np.random.default_rng(4)
    exact = band(f, clean, 10.0, 1.7e9)
    fitted, raw = [], []
    for _ in range(100):
        noisy = clean + rng.normal(0, 0.1, f.size)
        fitted.append(band(f, noisy, 10.0, 1.7e9).high.frequency_hz)
        raw.append(f[(f > 1.7e9) & (-noisy < 10)][0])
    assert np.std(fitted) < 0.5 * np.std(raw)
    assert np.mean(fitted) == pytest.approx(
        exact.high.frequency_hz, abs=3 * np.std(fitted) / 10 + 5e4
    )


def found_at(f0_hz: float) -> Resonance:
    """A well measured resonance."""
    f = np.linspace(1.4e9, 2.0e9, 301)
    return resonance(f, series_db(f, f0_hz, 60.0, 8.0), KNOWN)


def test_too_long_an_arm_is_told_half_of_what_to_cut() -> None:
    advice = trim(found_at(1.650e9), 0.0420, 1.7e9)
    # L (1 - f/f_target) = 42 mm x 0.0294 = 1.235 mm
    assert advice.remove_m == pytest.approx(1.235e-3, abs=0.02e-3)
    assert advice.next_cut_m == pytest.approx(advice.remove_m / 2)
    assert advice.result.quantity == "trim_per_arm"
    assert advice.result.flags == ("assumed-term",)
    assert "Remove half of it" in advice.result.note
    assert "cannot be put back" in advice.result.note
    assert advice.result.low < 1.235e-3 < advice.result.high


def test_too_short_an_arm_cannot_be_trimmed() -> None:
    exact = TrimKnowledge(arm_length_sd_m=Known(0.1e-3), scaling_error=Known(0.05))
    advice = trim(found_at(1.750e9), 0.0420, 1.7e9, exact)
    assert advice.remove_m == pytest.approx(-1.235e-3, abs=0.02e-3)
    assert advice.next_cut_m == 0.0
    assert advice.result.flags == ("cannot-trim-too-short",)
    assert "cannot be trimmed" in advice.result.note


def test_an_arm_right_within_the_uncertainty_is_left_alone() -> None:
    advice = trim(found_at(1.7002e9), 0.0420, 1.7e9)
    assert advice.next_cut_m == 0.0
    assert "leave it" in advice.result.note
    assert "cannot-trim-too-short" not in advice.result.flags


def test_no_resonance_gives_no_advice() -> None:
    f = np.linspace(1.5e9, 1.9e9, 201)
    nothing = resonance(f, series_db(f, 2.4e9, 60.0, 8.0), KNOWN)
    with pytest.raises(ReductionRefused, match="no trim advice: no resonance inside the band"):
        trim(nothing, 0.042, 1.7e9)


@given(st.floats(0.01, 0.5), st.floats(0.5e9, 5e9), st.floats(0.8, 1.2))
def test_trimming_exactly_lands_on_the_target(arm_m: float, target_hz: float, ratio: float) -> None:
    f_hz = target_hz * ratio
    left_m = arm_m - trim_per_arm_m(arm_m, f_hz, target_hz)
    assert f_hz * arm_m / left_m == pytest.approx(target_hz, rel=1e-12)
