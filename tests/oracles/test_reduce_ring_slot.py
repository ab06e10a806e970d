"""Resonance, band and Q on a measured one-port that scikit-rf ships ("ring slot measured")."""

import numpy as np
import pytest
from skrf.data import ring_slot_meas

from benchd.reduce.bandwidth import band
from benchd.reduce.budget_inputs import Known, ReflectionKnowledge
from benchd.reduce.decibels import gamma_from_vswr, return_loss_from_gamma
from benchd.reduce.reflection import reflection_at
from benchd.reduce.resonance import resonance

KNOWN = ReflectionKnowledge(
    directivity_db=Known(60.0), source_match_db=Known(60.0), noise_sd_db=Known(0.01)
)


def trace() -> tuple[np.ndarray, np.ndarray]:
    """Frequencies in Hz and |S11| in dB."""
    return ring_slot_meas.f, ring_slot_meas.s_db[:, 0, 0]


def test_the_lowest_point_is_the_one_that_was_published() -> None:
    """Source: scikit-rf's shipped measurement: minimum -23.12 dB at 85.85 GHz."""
    f, s11_db = trace()
    lowest = int(np.argmin(s11_db))
    assert round(f[lowest] / 1e9, 2) == 85.85
    point = reflection_at(f, s11_db, float(f[lowest]), KNOWN)
    assert round(-20 * np.log10(point.gamma), 2) == 23.12


def test_the_fit_finds_the_resonance_near_the_lowest_point() -> None:
    """Source: the same; the curve's minimum may lie off the lowest bin by the data's own ripple.

    VSWR 2 is crossed at 81.65 and 90.05 GHz, whose geometric mean is 85.75: the fit must agree
    with a series circuit's f0 = sqrt(f1 f2) to half a per cent.
    """
    f, s11_db = trace()
    found = resonance(f, s11_db, KNOWN)
    assert found.frequency_hz == pytest.approx(85.85e9, rel=0.006)
    assert found.frequency_hz == pytest.approx(np.sqrt(81.65 * 90.05) * 1e9, rel=0.005)


def test_the_vswr_band_is_the_published_one() -> None:
    """Source: the same: VSWR below 2 from 81.65 to 90.05 GHz; points are 0.35 GHz apart.

    The published band is that of the bare points, so no noise is averaged over.
    """
    f, s11_db = trace()
    level_db = return_loss_from_gamma(gamma_from_vswr(2.0))
    found = band(f, s11_db, level_db, 85.85e9, noise_sd_db=0.0)
    assert found.low is not None
    assert found.high is not None
    below = f[ring_slot_meas.s_vswr[:, 0, 0] < 2.0]
    step = float(f[1] - f[0])
    assert found.low.frequency_hz == pytest.approx(81.65e9, abs=step)
    assert found.high.frequency_hz == pytest.approx(90.05e9, abs=step)
    assert below[0] - step <= found.low.frequency_hz <= below[0] + step / 2
    assert below[-1] - step / 2 <= found.high.frequency_hz <= below[-1] + step
