"""The virtual analyzer's statistics against closed forms."""

import numpy as np
import pytest
from numpy.testing import assert_allclose
from scipy.special import exp1

from simulators.world import AnalyzerModel
from simulators.world.analyzer import chirp_loss
from simulators.world.model import AnalyzerSettings

PERFECT = AnalyzerSettings(response_db=0.0, linearity_db=0.0, noise_slope_db_per_ghz=0.0)
CENTRE_HZ, RBW_HZ = 1.7e9, 1e4


def excess_db(ratio_db: float, detector: str, samples: int, readings: int) -> np.ndarray:
    """Readings over the true tone level, dB."""
    analyzer = AnalyzerModel(PERFECT, np.random.default_rng(5))
    tone_dbm = analyzer.noise_floor_dbm(CENTRE_HZ, RBW_HZ) + ratio_db
    incident = np.full(readings, tone_dbm)
    shown = analyzer.dwell_reading_dbm(incident, CENTRE_HZ, 0.0, RBW_HZ, detector, samples)
    return shown - tone_dbm


@pytest.mark.parametrize(("ratio_db", "expected_db"), [(0.0, 3.01), (10.0, 0.414)])
def test_rms_detector_reads_high_by_the_noise_power(ratio_db: float, expected_db: float) -> None:
    # Powers add: 10 lg(1 + 1/g). Mean of 200,000 samples: scatter below 0.02 dB.
    shown = excess_db(ratio_db, "rms", 1000, 200)
    assert_allclose(10 * np.log10(np.mean(10 ** (shown / 10))), expected_db, atol=0.02)


@pytest.mark.parametrize(("ratio_db", "expected_db"), [(0.0, 0.953), (10.0, 0.00002)])
@pytest.mark.parametrize("samples", [50, 5000], ids=["few-samples", "many-samples"])
def test_log_average_reads_high_by_the_exponential_integral(
    ratio_db: float, expected_db: float, samples: int
) -> None:
    # E[ln power] of a Rician envelope is ln g + E1(g) (Rice, 1944-45; arithmetic by scipy).
    assert_allclose(10 / np.log(10) * exp1(10 ** (ratio_db / 10)), expected_db, atol=0.0005)
    shown = excess_db(ratio_db, "average", samples, 4000)
    assert_allclose(np.mean(shown), expected_db, atol=0.05)


def test_log_average_of_noise_alone_reads_two_and_a_half_db_low() -> None:
    # Euler's constant over ln 10, times 10: -2.507 dB, common practice in spectrum analysis.
    shown = excess_db(-90.0, "average", 50, 4000) - 90.0
    assert_allclose(np.mean(shown), -2.507, atol=0.06)


def test_sample_detector_of_noise_alone_scatters_by_five_and_a_half_db() -> None:
    # The logarithm of an exponential variable has variance pi^2/6: 5.57 dB.
    shown = excess_db(-90.0, "sample", 50, 20000)
    assert_allclose(np.std(shown), 10 / np.log(10) * np.pi / np.sqrt(6), rtol=0.03)


def test_positive_peak_of_noise_alone_follows_the_harmonic_numbers() -> None:
    # The mean of the largest of m exponential variables is 1 + 1/2 + ... + 1/m.
    shown = excess_db(-90.0, "positive", 100, 4000) - 90.0
    expected = np.sum(1 / np.arange(1, 101))
    assert_allclose(np.mean(10 ** (shown / 10)), expected, rtol=0.02)


def test_averaging_many_samples_shrinks_the_scatter_as_the_square_root() -> None:
    few, many = (np.std(excess_db(0.0, "average", count, 4000)) for count in (100, 10000))
    assert_allclose(few / many, 10.0, rtol=0.1)


def test_noise_floor_is_thermal_noise_plus_figure_plus_bandwidth() -> None:
    # -173.975 dBm/Hz at 290 K; a gaussian filter's noise bandwidth is 1.0645 times its 3 dB one.
    analyzer = AnalyzerModel(PERFECT, np.random.default_rng(1))
    expected = -173.975 + PERFECT.noise_figure_db + 10 * np.log10(RBW_HZ * 1.0645)
    assert_allclose(analyzer.noise_floor_dbm(CENTRE_HZ, RBW_HZ), expected, atol=0.001)


def test_swept_tone_agrees_with_a_filter_simulated_in_time() -> None:
    """A gaussian filter convolved numerically with a linear chirp, as the closed form has it."""
    rbw, rate = 1e4, 4e8  # four times the square of the bandwidth in a second
    frequency = np.linspace(-20 * rbw, 20 * rbw, 400001)
    gaussian = np.exp(-2 * np.log(2) * (frequency / rbw) ** 2)
    chirp = np.exp(1j * np.pi * frequency**2 / rate)
    step = frequency[1] - frequency[0]
    times = np.linspace(-1.5 * rbw / rate, 1.5 * rbw / rate, 601)
    envelope = np.array(
        [abs(np.sum(gaussian * chirp * np.exp(2j * np.pi * frequency * t))) for t in times]
    )
    envelope = envelope * step / np.sqrt(rate)
    loss_db, widening = chirp_loss(rate, rbw, 1.0)
    assert_allclose(-20 * np.log10(envelope.max()), loss_db, atol=0.005)
    above = times[envelope >= envelope.max() / np.sqrt(2)]
    assert_allclose((above[-1] - above[0]) * rate / rbw, widening, rtol=0.02)


def test_sweep_at_the_usual_limit_loses_less_than_a_tenth_of_a_db() -> None:
    # Sweep time = 2.5 span / RBW^2: common practice, no source.
    loss_db, _ = chirp_loss(1e8, 1e5, 2.5 * 1e8 / 1e10)
    assert 0.0 < loss_db < 0.1
