"""The wave that goes to and fro between two antennas, against pairs of them in NEC2 (necpp).

Two like antennas that look at each other are fed alike and against each other: from the two input
impedances follow own and mutual impedance, and from these the transmission into a matched load
(two-port algebra). Over distance it falls, and ripples by what goes to and fro.
"""

import necpp
import numpy as np
import pytest

from benchd.reduce.absolute_gain import Transmission, to_and_fro
from benchd.reduce.budget_inputs import Known

SEGMENTS, RADIUS = 15, 0.003
ALONG_AND_LENGTH = ((0.0, 0.455), (-0.2, 0.49), (0.2, 0.428), (0.4, 0.42), (0.6, 0.415))
"""Driven element, reflector, directors, in wavelengths."""
LIGHT_M_PER_S = 299_792_458.0
WAVELENGTH_M = LIGHT_M_PER_S / 1.7e9


def input_ohm(elements: int, apart: float, second_volt: float) -> complex:
    """Of the first antenna; apart: in wavelengths."""
    context = necpp.nec_create()
    try:
        feeds, number = [], 0
        for origin, sign in ((0.0, 1.0), (apart, -1.0)):
            for element, (along, length) in enumerate(ALONG_AND_LENGTH[:elements]):
                number += 1
                x, half = (origin + sign * along) * WAVELENGTH_M, length / 2.0 * WAVELENGTH_M
                ends = (x, 0.0, -half, x, 0.0, half, RADIUS * WAVELENGTH_M)
                assert necpp.nec_wire(context, number, SEGMENTS, *ends, 1, 1) == 0
                if element == 0:
                    feeds.append(number)
        necpp.nec_geometry_complete(context, 0)
        necpp.nec_fr_card(context, 0, 1, LIGHT_M_PER_S / WAVELENGTH_M / 1e6, 0)
        for tag, volt in zip(feeds, (1.0, second_volt), strict=True):
            necpp.nec_ex_card(context, 0, tag, SEGMENTS // 2 + 1, 0, volt, 0, 0, 0, 0, 0)
        necpp.nec_rp_card(context, 0, 1, 1, 0, 5, 0, 0, 90, 0, 0, 0, 0, 0)
        real = necpp.nec_impedance_real(context, 0)
        return complex(real, necpp.nec_impedance_imag(context, 0))
    finally:
        necpp.nec_delete(context)


@pytest.mark.parametrize("elements", [1, 3, 5])
def test_the_ripple_over_distance_is_what_is_stated(elements: int) -> None:
    apart = np.arange(2.2, 3.6, 0.1)
    fed = np.array([[input_ohm(elements, one, volt) for volt in (1.0, -1.0)] for one in apart])
    own, mutual = fed.mean(axis=1), (fed[:, 0] - fed[:, 1]) / 2.0
    matched = np.conj(own.mean())
    through = 2.0 * mutual * matched.real / ((own + matched) ** 2 - mutual**2)
    level_db = 20.0 * np.log10(np.abs(through))
    # What is left beside a smooth fall with distance.
    smooth = np.stack([np.ones(apart.size), np.log10(apart), 1.0 / apart], axis=1)
    ripple_db = level_db - smooth @ np.linalg.lstsq(smooth, level_db, rcond=None)[0]
    stated_db = [
        20.0 / np.log(10.0) / np.sqrt(2.0)
        * to_and_fro(Transmission(1.7e9, level, 0.0, (Known(0.0), Known(0.0))), r * WAVELENGTH_M)
        for level, r in zip(level_db, apart, strict=True)
    ]  # fmt: skip
    seen_db = float(np.sqrt(np.mean(ripple_db**2)))
    # One law for all: for a dipole somewhat wide, for a Yagi of five somewhat narrow.
    assert 0.5 * seen_db < float(np.mean(stated_db)) < 2.0 * seen_db


def test_far_antennas_throw_nothing_to_and_fro() -> None:
    one = Transmission(1.7e9, -60.0, 0.0, (Known(0.0), Known(0.0)))
    assert to_and_fro(one, 10.0) < 1e-5


def test_what_a_mismatch_turns_back_is_radiated_with_the_whole_gain() -> None:
    """10 dBi at either end and a tenth turned back: 1 beside the 2.2 of the wires."""
    at_m, loss_db = 0.5, 20.0 * np.log10(4.0 * np.pi * 0.5 / WAVELENGTH_M)
    one = Transmission(1.7e9, 20.0 - loss_db, 0.0, (Known(0.1), Known(0.1)))
    assert to_and_fro(one, at_m) == pytest.approx((2.2**2 + 1.0) * 10.0 ** (-loss_db / 10.0))
