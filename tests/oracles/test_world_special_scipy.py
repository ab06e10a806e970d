"""The simulators' special functions and spline against scipy, which they do without."""

import subprocess
import sys

import numpy as np
import pytest
from numpy.testing import assert_allclose
from scipy import interpolate, special

from simulators.physics.special import CubicSpline, exponential_integral, sine_cosine_integrals

# The places where one way of working them out takes over from another, and beyond both ends.
PLACES = np.concatenate(
    [np.geomspace(1e-12, 1e6, 20001), np.linspace(3.9, 4.1, 2001), np.linspace(0.0, 60.0, 6001)]
)


def test_sine_and_cosine_integrals() -> None:
    sine, cosine = sine_cosine_integrals(PLACES)
    expected_sine, expected_cosine = special.sici(PLACES)
    assert_allclose(sine, expected_sine, rtol=0, atol=1e-12)
    assert_allclose(cosine, expected_cosine, rtol=0, atol=1e-12)
    below, even = sine_cosine_integrals(-PLACES)
    assert_allclose(below, -expected_sine, rtol=0, atol=1e-12)
    assert_allclose(even, expected_cosine, rtol=0, atol=1e-12)


def test_the_integrals_at_printed_places() -> None:
    """Abramowitz and Stegun, table 5.1, at 1 and 10; from memory."""
    sine, cosine = sine_cosine_integrals([1.0, 10.0])
    assert_allclose(sine, [0.9460830704, 1.6583475942], atol=5e-11)
    assert_allclose(cosine, [0.3374039229, -0.0454564330], atol=5e-11)


def test_exponential_integral() -> None:
    places = np.concatenate([np.geomspace(1e-12, 700.0, 20001), np.linspace(1.9, 2.1, 2001)])
    assert_allclose(exponential_integral(places), special.exp1(places), rtol=1e-12)
    assert exponential_integral(np.array([1e5])).tolist() == [0.0]


@pytest.mark.parametrize("seed", range(6))
@pytest.mark.parametrize("count", [4, 5, 6, 37, 400])
def test_spline_through_uneven_places_and_beyond_their_ends(seed: int, count: int) -> None:
    random = np.random.default_rng(seed)
    x = 1.2e9 + np.cumsum(random.uniform(0.2, 1.0, count)) * 1e6
    y = np.exp(1j * np.linspace(0.0, 9.0, count)) * random.uniform(0.5, 1.0, count)
    at = np.linspace(x[0] - 1e5, x[-1] + 1e5, 3001)
    for values in (y, y.real):
        expected = interpolate.CubicSpline(x, values)(at)
        assert_allclose(CubicSpline(x, values)(at), expected, rtol=0,
                        atol=1e-10 * np.abs(expected).max())  # fmt: skip


@pytest.mark.parametrize("x", [[1.0, 2.0, 3.0], [1.0, 2.0, 2.0, 3.0], [4.0, 3.0, 2.0, 1.0]])
def test_places_that_make_no_spline_are_refused(x: list[float]) -> None:
    with pytest.raises(ValueError, match="four or more rising places"):
        CubicSpline(x, np.zeros(len(x)))


def test_the_virtual_bench_runs_where_scipy_is_not_installed() -> None:
    code = (
        "import sys; sys.modules['scipy'] = None; "
        "import simulators.serving, simulators.world.truth, simulators.person; "
        "print(sorted({name.partition('.')[0] for name in sys.modules} & {'benchd', 'drivers'}))"
    )
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert done.stdout == "[]\n"
