"""Coupler qualification against scikit-rf's full one-port error model and calibration.

The reflectometer is built as an error two-port of scikit-rf; only the magnitudes of what it shows
are handed on, as a scalar analyzer would. scikit-rf's own one-port calibration, which sees the
complex values, is the judge of directivity and source match.
"""

from __future__ import annotations

import numpy as np
import pytest
import skrf

from benchd.errors import ReductionRefused
from benchd.reduce.qualify.coupler import (
    Reflectometer,
    coupler_results,
    offset_phase_rad,
    open_phase_rad,
    reflectometer,
)
from benchd.reduce.qualify.joint import joint_results, joint_spread

FREQUENCY = skrf.Frequency(1.4, 2.0, 61, unit="GHz")
HZ = FREQUENCY.f
DELAY_S = 73.4e-12


def reflectometer_network(directivity_db: float, match_db: float) -> skrf.Network:
    """e00 directivity, e11 source match, e10 e01 tracking; the phases turn with frequency."""
    turn = np.exp(-2j * np.pi * HZ * 2.4e-9)
    s = np.zeros((HZ.size, 2, 2), dtype=complex)
    s[:, 0, 0] = 0.12 * 10.0 ** (-directivity_db / 20.0) * np.exp(0.7j)
    s[:, 1, 1] = 10.0 ** (-match_db / 20.0) * np.exp(-2j * np.pi * HZ * 0.8e-9)
    s[:, 0, 1] = s[:, 1, 0] = np.sqrt(0.12) * np.sqrt(turn)
    return skrf.Network(frequency=FREQUENCY, s=s)


def shown(errors: skrf.Network, gamma: np.ndarray) -> skrf.Network:
    return errors ** skrf.Network(frequency=FREQUENCY, s=gamma.reshape(-1, 1, 1))


def scalar(errors: skrf.Network, gamma: np.ndarray) -> np.ndarray:
    """What a scalar analyzer shows of it, dB."""
    level: np.ndarray = 20.0 * np.log10(np.abs(shown(errors, gamma).s[:, 0, 0]))
    return level


def from_open_and_short(
    errors: skrf.Network, loads: list[np.ndarray], load_match_db: float
) -> Reflectometer:
    """The reflectometer that open, short and these readings of a load show."""
    opened, shorted = (scalar(errors, sign * np.ones(HZ.size)) for sign in (1.0, -1.0))
    phases = (np.zeros(HZ.size), np.full(HZ.size, np.pi))
    return reflectometer(
        HZ, list(zip((opened, shorted), phases, strict=True)), loads, load_match_db=load_match_db
    )


@pytest.mark.parametrize(("directivity_db", "match_db"), [(34.0, 20.0), (28.0, 24.0), (40.0, 16.0)])
def test_scalar_magnitudes_give_what_a_complex_calibration_gives(
    directivity_db: float, match_db: float
) -> None:
    errors = reflectometer_network(directivity_db, match_db)
    ideals = [
        np.ones(HZ.size, dtype=complex),
        -np.ones(HZ.size, dtype=complex),
        np.exp(1j * offset_phase_rad(HZ, DELAY_S)),
        np.zeros(HZ.size, dtype=complex),
    ]
    measured = [shown(errors, gamma) for gamma in ideals]
    as_networks = [skrf.Network(frequency=FREQUENCY, s=g.reshape(-1, 1, 1)) for g in ideals]
    calibration = skrf.calibration.OnePort(measured=measured, ideals=as_networks)
    calibration.run()
    terms = calibration.coefs
    true_d = np.abs(terms["directivity"] / terms["reflection tracking"])
    true_s = np.abs(terms["source match"])

    levels = [20.0 * np.log10(np.abs(one.s[:, 0, 0])) for one in measured]
    phases = [open_phase_rad(HZ), np.full(HZ.size, np.pi), offset_phase_rad(HZ, DELAY_S)]
    found = reflectometer(
        HZ, list(zip(levels[:3], phases, strict=True)), [levels[3]], load_match_db=60.0
    )
    assert found.is_whole.all()
    # First order in w: what is left out is of the size of w squared.
    slack = (true_d + true_s) ** 2
    assert np.all(np.abs(found.leak - true_d) <= slack * true_d + 1e-6)
    least, most = found.source_match_ends
    assert np.all((least - slack <= true_s) & (true_s <= most + slack))

    results = coupler_results(found, [1.7e9], linearity_db=0.2, is_linearity_known=True)
    by_name = {one.quantity: one for one in results if one.frequency_hz is not None}
    directivity = by_name["effective_directivity"]
    here = int(np.argmin(np.abs(HZ - 1.7e9)))
    assert directivity.low is not None
    assert directivity.high is not None
    assert directivity.low <= -20.0 * np.log10(true_d[here]) <= directivity.high
    match = by_name["effective_source_match"]
    assert match.low is not None
    assert match.low <= -20.0 * np.log10(true_s[here]) <= (match.high or np.inf)


def test_a_load_that_reflects_widens_the_interval_so_that_it_still_holds_the_truth() -> None:
    """Load of 34 dB return loss and any phase beside a directivity of 34 dB: the reading is
    anything from nothing to 28 dB; the interval must hold 34 dB or have no upper end."""
    errors = reflectometer_network(34.0, 20.0)
    for turn in np.linspace(0.0, 2.0 * np.pi, 24, endpoint=False):
        load = np.full(HZ.size, 10.0 ** (-34.0 / 20.0) * np.exp(1j * turn))
        found = from_open_and_short(errors, [scalar(errors, load)], 34.0)
        least, most = found.directivity_ends
        truth = 10.0 ** (-34.0 / 20.0)
        # Tracking is read through a source match of 20 dB from open and short alone: 1 %.
        assert np.all((least <= truth * 1.01) & (truth <= most * 1.02))


def test_a_sliding_load_takes_its_own_reflection_out() -> None:
    """Eight places over half a wavelength: largest and smallest show both sizes."""
    errors = reflectometer_network(34.0, 20.0)
    load = 10.0 ** (-26.0 / 20.0)
    turns = np.linspace(0.0, 2.0 * np.pi, 8, endpoint=False)
    loads = [scalar(errors, np.full(HZ.size, load * np.exp(1j * t))) for t in turns]
    found = from_open_and_short(errors, loads, 26.0)
    # 8 phases miss an extreme by at most half a step of 45 degrees: 8 % of the smaller size.
    np.testing.assert_allclose(found.directivity_db, 34.0, atol=1.0)


def test_a_load_fitted_again_shows_what_the_joint_reflects() -> None:
    """scikit-rf puts a small mismatch before the load; only magnitudes are handed on.

    400 fits: the spread of a spread is 1/sqrt(2 nu) (JCGM 100, E.4.3), 3.5 %; the load's own
    reflection and the leak leave of the radial part what their sizes allow, a few per cent more.
    """
    errors, rng, sd = reflectometer_network(30.0, 20.0), np.random.default_rng(6), 0.002
    fits = []
    for _ in range(400):
        r = sd * (rng.standard_normal() + 1j * rng.standard_normal())
        s = np.zeros((HZ.size, 2, 2), dtype=complex)
        s[:, 0, 0], s[:, 1, 1] = r, -np.conj(r)
        s[:, 0, 1] = s[:, 1, 0] = np.sqrt(1.0 - abs(r) ** 2)
        joint = skrf.Network(frequency=FREQUENCY, s=s)
        load = skrf.Network(frequency=FREQUENCY, s=np.full((HZ.size, 1, 1), 0.01 + 0j))
        fits.append(scalar(errors, (joint**load).s[:, 0, 0]))
    coupler = from_open_and_short(errors, [fits[0]], 40.0)
    found = joint_spread(np.array(fits), coupler)
    np.testing.assert_allclose(found.sd, sd, rtol=0.12)
    (result,) = joint_results(found, [1.7e9])
    assert result.low is not None
    assert result.high is not None
    assert result.low <= -20.0 * np.log10(np.sqrt(2.0) * sd) <= result.high


def test_too_few_fits_of_a_load_are_refused() -> None:
    errors = reflectometer_network(30.0, 20.0)
    load = scalar(errors, np.zeros(HZ.size))
    coupler = from_open_and_short(errors, [load], 40.0)
    with pytest.raises(ReductionRefused, match="2 fits of the load show no spread"):
        joint_spread(np.array([load, load]), coupler)
