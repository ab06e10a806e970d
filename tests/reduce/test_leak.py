"""Draws of rippling leaks against closed forms."""

import numpy as np
import pytest
from numpy.testing import assert_allclose

from benchd.reduce.budget_inputs import Known
from benchd.reduce.leak import leak_at_both, leak_over, local_ratio

F = np.linspace(1.5e9, 1.9e9, 41)
LINE = Known(5e-9)


def rng() -> np.random.Generator:
    return np.random.default_rng(4)


def test_every_draw_has_the_stated_size_over_its_band() -> None:
    """30 dB is 0.0316, as a root mean square over 400 MHz; the few points leave some per cent."""
    drawn = leak_over(F, Known(30.0), LINE, (1.5e9, 1.9e9), rng(), 500)
    rms = np.sqrt(np.mean(np.abs(drawn) ** 2, axis=0))
    assert_allclose(np.median(rms), 10**-1.5, rtol=0.02)
    assert np.percentile(np.abs(rms / 10**-1.5 - 1.0), 90) < 0.1


def test_locally_a_leak_is_larger_than_its_root_mean_square() -> None:
    """Over many ripples the ratio has a mean square of 1 and passes 1.4 in about one case in
    seven (a sum of many parts: exp(-1.4^2) = 0.14, Rayleigh); over none it is 1."""
    many = local_ratio(Known(50e-9), (1.5e9, 1.9e9))
    assert_allclose(np.mean(many**2), 1.0, atol=0.05)
    assert 0.08 < np.mean(many > 1.4) < 0.18
    still = local_ratio(Known(0.01e-9), (1.5e9, 1.9e9))
    assert_allclose(still, 1.0, atol=0.01)
    assert list(local_ratio(LINE, None)) == [1.0]


def test_a_leak_behind_no_line_is_the_same_at_both_edges_and_behind_a_long_one_it_is_not() -> None:
    bands = ((1.55e9, 1.65e9), (1.75e9, 1.85e9))
    sizes = (Known(30.0), Known(30.0))
    alike = []
    for line in (Known(1e-15), Known(40e-9)):
        low, high = leak_at_both((1.6e9, 1.8e9), sizes, line, bands, rng(), 4000)
        product = np.mean(low * np.conj(high)).real
        alike.append(product / np.sqrt(np.mean(np.abs(low) ** 2) * np.mean(np.abs(high) ** 2)))
    # The way inside of the coupler turns one part of three a little.
    assert alike[0] > 0.9
    assert abs(alike[1]) < 0.45


@pytest.mark.parametrize("freedom", [8.0, 50.0])
def test_a_size_that_is_not_known_for_sure_is_drawn(freedom: float) -> None:
    """1/sqrt(2 nu) of it: JCGM 100, E.4.3."""
    drawn = leak_over(
        np.array([1.7e9]), Known(30.0, degrees_of_freedom=freedom), LINE, None, rng(), 20_000
    )
    assert_allclose(np.std(np.abs(drawn)) / 10**-1.5, 1 / np.sqrt(2 * freedom), rtol=0.05)
