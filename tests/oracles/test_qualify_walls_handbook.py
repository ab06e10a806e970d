"""Ripple to reflected level against a handbook, moved antennas against Monte Carlo, shielding."""

from __future__ import annotations

import math

import numpy as np
import pytest

from benchd.reduce.qualify.leakage import disturbance_db, highest_transmitter_dbm, shielding
from benchd.reduce.qualify.reflectivity import Line, walls
from benchd.reduce.ripple import peak_to_peak_db, reflected_level_db

C = 299_792_458.0


def test_krauss_quiet_zone_gives_minus_44_9_db() -> None:
    """J. D. Kraus, Antennas, example 21-4.2 (by a public worked solution): the pattern rippled
    between -22.3 and -23.7 dB, its mean 23 dB below the beam: a reflection of -44.9 dB."""
    ripple_db = 23.7 - 22.3
    assert reflected_level_db(ripple_db, -23.0) == pytest.approx(-44.9, abs=0.05)
    assert peak_to_peak_db(-44.9, -23.0) == pytest.approx(ripple_db, abs=0.01)


@pytest.mark.parametrize("reflected_db", [-30.0, -20.0, -12.0])
def test_a_line_of_positions_gives_back_the_reflection_of_an_end_wall(reflected_db: float) -> None:
    """A direct ray falling as 1/r beside a wave from the other side, moved over a wavelength in
    small steps: level and ripple from the fields, not from the formula under test. 8 % of the
    ripple may fall between positions or go with the trend."""
    frequency_hz = np.array([1.7e9])
    wave_m = C / 1.7e9
    moved_m = np.linspace(0.0, 1.0 * wave_m, 25)
    distance_m = 0.4 - moved_m
    k = 2.0 * math.pi / wave_m
    direct = np.exp(-1j * k * distance_m) * (0.4 / distance_m)
    # The wall's wave keeps its strength relative to the direct ray, so that the level is known.
    wall = 10.0 ** (reflected_db / 20.0) * (0.4 / distance_m) * np.exp(1j * k * distance_m)
    levels = 20.0 * np.log10(np.abs(direct + wall))[:, np.newaxis]
    line = Line("end walls", levels, distance_m, float(moved_m[-1]))
    found = walls(frequency_hz, [line])
    assert found.reflected_db["end walls"][0] == pytest.approx(reflected_db, abs=0.7)
    # Two rays of unknown phase: 8.686 p / sqrt 2 (arcsine distribution, JCGM 101, 6.4.6).
    expected = 8.686 * 10.0 ** (reflected_db / 20.0) / math.sqrt(2.0)
    assert found.level_sd_db[0] == pytest.approx(expected, rel=0.08)
    # One path: the variances of three such lines add up. A difference: what one line shows.
    assert found.path_sd_db[0] == pytest.approx(math.sqrt(3.0) * found.level_sd_db[0], rel=1e-12)
    assert found.gain_sd_db[0] == found.level_sd_db[0]


def test_shielding_is_20_lg_of_the_fields() -> None:
    """SE = 20 lg(E1/E2) (definition of IEEE Std 299 and 299.1-2013, from memory): a field of a
    hundredth is 40 dB."""
    open_dbm = np.array([20.0 * math.log10(1.0)])
    closed_dbm = np.array([20.0 * math.log10(0.01)])
    found = shielding("lid", np.array([1.7e9]), open_dbm, closed_dbm, -120.0)
    np.testing.assert_allclose(found.shielding_db, [40.0], atol=1e-12)
    assert not found.is_least[0]


def test_an_interferer_38_7_db_down_changes_a_reading_by_a_tenth_of_a_decibel() -> None:
    """1 + 10^(-38.7/20) = 1.0116 in amplitude: arithmetic."""
    assert disturbance_db(-38.7, 0.0) == pytest.approx(0.1, abs=0.001)
    assert highest_transmitter_dbm(-40.0, 0.1) == pytest.approx(-78.7, abs=0.05)
