"""Levels near the noise that err evenly to both sides, drawn by Rice's law."""

import numpy as np
import pytest

from benchd.reduce.near_noise import straightened_dbm
from benchd.reduce.noise import carrier_level_dbm, reading_standard_db
from benchd.traces import FloatArray

SAMPLES = 20


def readings(rng: np.random.Generator, carrier_to_noise_db: float, detector: str) -> FloatArray:
    """Eleven readings of one carrier, dB over the noise."""
    shape = (SAMPLES, 11)
    noise = (rng.normal(size=shape) + 1j * rng.normal(size=shape)) / np.sqrt(2.0)
    power = np.abs(10.0 ** (carrier_to_noise_db / 20.0) + noise) ** 2
    if detector == "rms":
        return np.asarray(10.0 * np.log10(power.mean(axis=0)))
    return np.asarray((10.0 * np.log10(power)).mean(axis=0))


@pytest.mark.parametrize("detector", ["rms", "log-average"])
@pytest.mark.parametrize("carrier_to_noise_db", [0.0, 3.0])
def test_readings_near_the_noise_err_evenly_and_as_much_as_is_stated(
    detector: str, carrier_to_noise_db: float
) -> None:
    rng = np.random.default_rng(5)
    errors, by_themselves = [], []
    for _ in range(100):
        read = readings(rng, carrier_to_noise_db, detector)
        for index in (2, 5, 8):
            found = straightened_dbm(read, 0.0, detector, SAMPLES, index)
            assert found is not None
            errors.append(found - carrier_to_noise_db)
            alone = carrier_level_dbm(float(read[index]), 0.0, detector)
            alone = alone if np.isfinite(alone) else float(read[index])
            by_themselves.append(alone - carrier_to_noise_db)
    # 300 errors of which those of one trace are related: their mean is known to 0.06 to 0.1 of one.
    stated = reading_standard_db(carrier_to_noise_db, detector, SAMPLES)
    assert abs(np.mean(errors)) < 0.2 * stated
    assert np.std(errors) == pytest.approx(stated, rel=0.13)
    assert np.std(errors) < 1.02 * np.std(by_themselves)
    low, high = np.quantile(errors, [0.025, 0.975])
    assert -low / high < 1.5
    if detector == "rms" and carrier_to_noise_db == 0.0:
        # Taken one by one they stray further down, and their mean is too low.
        assert np.quantile(by_themselves, 0.025) < 1.25 * low
        assert np.mean(by_themselves) < -0.15 * stated


def test_far_from_the_noise_a_reading_stands_for_itself() -> None:
    assert straightened_dbm(np.full(11, 9.0), 0.0, "rms", SAMPLES, 5) is None
    assert straightened_dbm(np.full(11, 3.0), 0.0, "rms", 4000.0, 5) is None


@pytest.mark.parametrize("detector", ["rms", "log-average"])
@pytest.mark.parametrize("index", [0, 1, 10])
def test_a_reading_like_its_neighbours_is_the_carrier_behind_it(detector: str, index: int) -> None:
    read = np.full(11, 4.0)
    found = straightened_dbm(read, 0.0, detector, SAMPLES, index)
    assert found == pytest.approx(carrier_level_dbm(4.0, 0.0, detector))


@pytest.mark.parametrize("detector", ["rms", "log-average"])
def test_readings_that_sink_into_the_noise_stay_numbers(detector: str) -> None:
    read = np.full(11, -3.0)
    found = straightened_dbm(read, 0.0, detector, SAMPLES, 5)
    assert found is not None
    assert np.isfinite(found)
