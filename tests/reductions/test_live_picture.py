"""What a live look draws of its sweeps."""

from __future__ import annotations

import numpy as np
import pytest

from benchd.errors import NormalisationRefused
from benchd.reductions.live_picture import LAST_SWEEPS, LivePicture
from benchd.traces import Form, Trace

FINE_HZ = np.linspace(1.6e9, 1.8e9, 201)
SEEN_HZ = FINE_HZ[20:181:4]


def standard(level_dbm: float) -> Trace:
    return Trace("level", Form.LEVEL_DBM, FINE_HZ, np.full(FINE_HZ.shape, level_dbm))


def test_a_return_loss_is_positive_and_its_peak_is_the_dip() -> None:
    picture = LivePicture("return-loss", [standard(-29.0), standard(-31.0)])
    level = -40.0 - 5.0 * np.exp(-(((SEEN_HZ - 1.7e9) / 20e6) ** 2))
    frame = picture.frame(SEEN_HZ, level)
    assert frame.values_db[0] == pytest.approx(10.0, abs=0.1)
    assert frame.peak_hz == pytest.approx(1.7e9, rel=1e-6)
    assert frame.peak_db == pytest.approx(15.0, abs=0.01)
    assert (frame.sweeps, frame.spread) == (1, None)


def test_a_level_over_a_thru_and_a_plain_one_peak_where_they_are_highest() -> None:
    level = -40.0 + 5.0 * np.exp(-(((SEEN_HZ - 1.7e9) / 20e6) ** 2))
    over = LivePicture("over-thru", [standard(-30.0)]).frame(SEEN_HZ, level)
    plain = LivePicture("level", []).frame(SEEN_HZ, level)
    assert over.peak_db == pytest.approx(-5.0, abs=0.01)
    assert plain.peak_db == pytest.approx(-35.0, abs=0.01)
    assert over.peak_hz == plain.peak_hz == pytest.approx(1.7e9, rel=1e-6)


def test_the_spread_forgets_sweeps_that_lie_further_back_than_the_last_ten() -> None:
    picture = LivePicture("level", [])
    flat = np.full(SEEN_HZ.shape, -40.0)
    assert picture.frame(SEEN_HZ, flat + 6.0).spread is None
    moved = picture.frame(SEEN_HZ, flat).spread
    assert moved is not None
    np.testing.assert_allclose(moved.range_db, 6.0)
    for _ in range(LAST_SWEEPS - 1):
        frame = picture.frame(SEEN_HZ, flat)
    assert frame.sweeps == LAST_SWEEPS
    assert frame.spread is not None
    np.testing.assert_allclose(frame.spread.range_db, 0.0, atol=1e-12)


def test_a_sweep_beyond_its_baselines_is_refused() -> None:
    picture = LivePicture("return-loss", [standard(-30.0)])
    with pytest.raises(NormalisationRefused, match="reaches outside"):
        picture.frame(SEEN_HZ + 100e6, np.full(SEEN_HZ.shape, -40.0))
