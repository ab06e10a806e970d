"""The analyzer model: filter, sweep, seeds and slow curves."""

import numpy as np
import pytest
from numpy.testing import assert_allclose

from simulators.physics.curves import SlowCurve
from simulators.world import AnalyzerModel
from simulators.world.analyzer import DETECTORS
from simulators.world.model import AnalyzerSettings

PERFECT = AnalyzerSettings(response_db=0.0, linearity_db=0.0)


def analyzer(settings: AnalyzerSettings = PERFECT, seed: int = 3) -> AnalyzerModel:
    return AnalyzerModel(settings, np.random.default_rng(seed))


def test_strong_tone_reads_its_level_under_every_detector() -> None:
    incident = np.array([-20.0, -30.0])
    for detector in DETECTORS:
        shown = analyzer().dwell_reading_dbm(incident, 1.7e9, 0.0, 1e4, detector, 100)
        assert_allclose(shown, incident, atol=0.01, err_msg=detector)


def test_tone_at_half_the_bandwidth_reads_three_db_low() -> None:
    shown = analyzer().dwell_reading_dbm(np.array([-20.0]), 1.7e9, 5e3, 1e4, "rms", 1000)
    assert_allclose(shown, -23.01, atol=0.01)


def test_input_attenuation_raises_the_noise_db_for_db() -> None:
    one = analyzer()
    assert_allclose(one.noise_floor_dbm(1.7e9, 1e4, 20.0) - one.noise_floor_dbm(1.7e9, 1e4), 20.0)


def test_ten_times_the_bandwidth_is_ten_db_more_noise() -> None:
    one = analyzer()
    assert_allclose(one.noise_floor_dbm(1.7e9, 1e5) - one.noise_floor_dbm(1.7e9, 1e4), 10.0)


def test_sweep_shows_each_tone_in_its_bin_and_noise_between() -> None:
    bins = np.linspace(1.6e9, 1.8e9, 201)
    tones = [(1.65e9, -30.0), (1.75e9, -40.0)]
    shown = analyzer().sweep_reading_dbm(bins, tones, 3e5, 10.0, "rms")
    assert_allclose([shown[50], shown[150]], [-30.0, -40.0], atol=0.02)
    assert shown[100] < analyzer().noise_floor_dbm(1.7e9, 3e5) + 3


def test_too_fast_a_sweep_shows_the_tone_low_and_wide() -> None:
    bins = np.linspace(1.69e9, 1.71e9, 401)
    slow, fast = (
        analyzer().sweep_reading_dbm(bins, [(1.7e9, -30.0)], 1e5, seconds, "rms")
        for seconds in (0.05, 0.0005)
    )
    assert fast.max() < slow.max() - 2
    assert (fast > fast.max() - 10).sum() > (slow > slow.max() - 10).sum()


def test_a_single_reading_is_the_one_that_an_array_of_one_gives() -> None:
    one, other = (analyzer(AnalyzerSettings(), seed=5) for _ in range(2))
    for incident_dbm in (-20.0, -60.0, -119.0, -140.0, -300.0):
        for centre_hz, offset_hz, samples, attenuation_db in (
            (1.7e9, 0.0, 10, 0.0),
            (1.2e9, 3e4, 1, 10.0),
            (1.7e9, 5e8, 10_000, 0.0),
        ):
            single = one.rms_reading_dbm(
                incident_dbm, centre_hz, offset_hz, 1e5, samples, attenuation_db
            )
            array = other.dwell_reading_dbm(
                np.array([incident_dbm]), centre_hz, offset_hz, 1e5, "rms", samples, attenuation_db
            )
            assert_allclose(single, array[0], rtol=0, atol=1e-9)


def test_unknown_detector_is_refused_by_name() -> None:
    with pytest.raises(ValueError, match="no detector 'quasi'; there are"):
        analyzer().dwell_reading_dbm(np.array([-20.0]), 1.7e9, 0.0, 1e4, "quasi", 1)


def test_same_seed_same_readings() -> None:
    readings = [
        analyzer(AnalyzerSettings(), seed=9).dwell_reading_dbm(
            np.full(5, -100.0), 1.7e9, 0.0, 1e4, "sample", 1
        )
        for _ in range(2)
    ]
    assert_allclose(readings[0], readings[1], rtol=0, atol=0)


def test_response_and_linearity_stay_within_what_is_stated() -> None:
    settings = AnalyzerSettings(response_db=0.5, linearity_db=0.15)
    one = analyzer(settings)
    for level_dbm in (-60.0, -40.0, -20.0):
        for centre_hz in (0.5e9, 1.7e9, 5.9e9):
            shown = one.dwell_reading_dbm(np.array([level_dbm]), centre_hz, 0.0, 1e3, "rms", 10**6)
            assert abs(shown[0] - level_dbm) < 0.65


def test_slow_curve_is_slow_and_bounded() -> None:
    curve = SlowCurve.drawn(np.random.default_rng(4), 0.0, 6e9, 0.5, 9)
    values = curve(np.linspace(0, 6e9, 2001))
    assert 0.1 < np.abs(values).max() <= 0.5
    # At most 4.5 turns of amplitude 0.5: slope below 2 pi 4.5 0.5 over the whole span.
    assert np.abs(np.diff(values)).max() < 2 * np.pi * 4.5 * 0.5 / 2000
