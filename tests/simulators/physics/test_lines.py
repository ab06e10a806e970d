"""Lines and couplers: exact limits."""

import numpy as np
import pytest
from numpy.testing import assert_allclose

from simulators.physics.lines import (
    cable_loss_db,
    line_section,
    lossless_step,
    matched_line,
    open_reflection,
    short_reflection,
    to_reflection,
)

FREQUENCY_HZ = np.linspace(0.4e9, 6e9, 8)


def test_quarter_wave_section_transforms_impedance_by_its_square() -> None:
    # Z_in = Z0^2 / Z_load at a quarter wavelength (any transmission-line text).
    quarter_m = 299792458.0 / 1.7e9 / 4
    section = line_section(np.array([1.7e9]), 40.0, quarter_m)
    seen = section.reflection(to_reflection(np.array([32.0 + 0j])))
    assert_allclose(seen, to_reflection(np.array([50.0 + 0j])), atol=1e-12)


def test_step_is_lossless_and_reciprocal() -> None:
    step = lossless_step(np.full(8, 0.3 - 0.2j))
    s = np.array([[step.s11, step.s12], [step.s21, step.s22]]).transpose(2, 0, 1)
    unit = np.broadcast_to(np.eye(2), s.shape)
    assert_allclose(s @ s.conj().transpose(0, 2, 1), unit, atol=1e-12)


def test_line_delays_and_attenuates_as_stated() -> None:
    near_hz = np.linspace(1.7e9, 1.71e9, 11)
    line = matched_line(near_hz, 0.7, 0.7, 3.0)
    delay_s = -np.diff(np.unwrap(np.angle(line.s21))) / (2 * np.pi * np.diff(near_hz))
    assert_allclose(delay_s, 1 / 299792458.0, rtol=1e-9)
    assert_allclose(20 * np.log10(np.abs(line.s21)), -3.0, atol=1e-12)


def test_cable_loss_between_root_and_proportional() -> None:
    loss_db = cable_loss_db(np.array([1e9, 4e9]), 2.0, 0.5, 0.0)
    assert_allclose(loss_db, [1.0, 2.0])
    assert_allclose(cable_loss_db(np.array([1e9, 4e9]), 2.0, 0.5, 1.0), [1.0, 4.0])


@pytest.mark.parametrize(
    ("reflection", "expected"),
    [
        pytest.param(open_reflection(FREQUENCY_HZ, 0.0), 1.0, id="open"),
        pytest.param(short_reflection(FREQUENCY_HZ, 0.0), -1.0, id="short"),
    ],
)
def test_perfect_terminations(reflection: np.ndarray, expected: float) -> None:
    assert_allclose(reflection, np.full(8, expected + 0j))


def test_imperfect_open_and_short_still_reflect_everything() -> None:
    both = [open_reflection(FREQUENCY_HZ, 4e-14), short_reflection(FREQUENCY_HZ, 1.2e-11)]
    assert_allclose(np.abs(both), 1.0, rtol=1e-12)
