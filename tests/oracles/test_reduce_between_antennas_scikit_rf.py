"""The wave that goes to and fro between two antennas, against two-ports of scikit-rf.

Two antennas at a distance are an impedance two-port whose mutual impedance turns with the distance.
What their transmission does over that turn is the whole wave's doing (scikit-rf: conversion of
impedances to S-parameters).
"""

import numpy as np
import pytest
import skrf

from benchd.reduce.absolute import Transmission, to_and_fro
from benchd.reduce.knowledge import Known


def turned(mutual_ohm: float, own_ohm: complex) -> tuple[np.ndarray, float]:
    """Transmissions (dB) of two like antennas over a turn of their mutual impedance, and |g|."""
    turn = np.exp(2j * np.pi * np.arange(360) / 360.0)
    z = np.empty((360, 2, 2), dtype=complex)
    z[:, 0, 0] = z[:, 1, 1] = own_ohm
    z[:, 0, 1] = z[:, 1, 0] = mutual_ohm * turn
    alone = abs((own_ohm - 50.0) / (own_ohm + 50.0))
    return 20.0 * np.log10(np.abs(skrf.network.z2s(z)[:, 1, 0])), alone


@pytest.mark.parametrize("own_ohm", [50.0 + 0j, 36.0 + 10j, 73.1 + 20j])
@pytest.mark.parametrize("mutual_ohm", [3.0, 10.0, 30.0])
def test_the_ripple_over_distance_is_what_is_stated(mutual_ohm: float, own_ohm: complex) -> None:
    transmission_db, gamma = turned(mutual_ohm, own_ohm)
    mean_db = float(transmission_db.mean())
    one = Transmission(1.7e9, mean_db, 0.0, (Known(gamma), Known(gamma)))
    half_db = 20.0 / np.log(10.0) * to_and_fro(one)
    seen_db = float(transmission_db.max() - transmission_db.min()) / 2.0
    # Stated for any phase of the two reflections: |1 - g| lies between 1 - |g| and 1 + |g|.
    assert seen_db * (1.0 - gamma) ** 2 * 0.9 <= half_db <= seen_db * (1.0 + gamma) ** 2 * 1.1
    if gamma == 0.0:
        assert half_db == pytest.approx(seen_db, rel=0.03)


def test_far_antennas_throw_nothing_to_and_fro() -> None:
    one = Transmission(1.7e9, -40.0, 0.0, (Known(0.2), Known(0.2)))
    assert to_and_fro(one) == pytest.approx(1e-4 / 0.96**2)
