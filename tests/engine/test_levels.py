"""The spread of a level at a frequency, on the points of a capture and between them."""

from pathlib import Path

import numpy as np
import pytest

from benchd.engine.levels import level_sd_db
from tests.engine.captures import GRID, Notebook


@pytest.mark.parametrize(("between", "share"), [(0.0, 1.0), (0.25, 0.7906), (0.5, 0.7071)])
def test_a_straight_line_between_two_points_averages_their_noise(
    tmp_path: Path, between: float, share: float
) -> None:
    """Independent errors with the weights w and 1 - w (JCGM 100, 5.1.2); drawn, too."""
    book = Notebook(tmp_path)
    taken = book.capture("test", "test", -60.0, scatter_db=0.4, average=4)
    at_hz = GRID[10] + between * (GRID[11] - GRID[10])
    on_grid, here = level_sd_db(taken, GRID[10]), level_sd_db(taken, at_hz)
    assert on_grid is not None
    assert on_grid.value == pytest.approx(0.2)
    assert here is not None
    assert here.value == pytest.approx(0.2 * share, rel=1e-4)
    drawn = np.random.default_rng(3).normal(0.0, 0.2, (2, 100_000))
    mixed = (1.0 - between) * drawn[0] + between * drawn[1]
    assert mixed.std() == pytest.approx(here.value, rel=0.01)


def test_beyond_the_ends_and_over_the_sweep_a_single_point_counts(tmp_path: Path) -> None:
    book = Notebook(tmp_path)
    taken = book.capture("test", "test", -60.0, scatter_db=0.4, average=4)
    for at_hz in (None, float(GRID[0]), float(GRID[-1]), 2.0e9):
        found = level_sd_db(taken, at_hz)
        assert found is not None
        assert found.value == pytest.approx(0.2)


def test_a_wrong_correction_for_noise_is_not_averaged_away(tmp_path: Path) -> None:
    """The noise was read once for the whole sweep: its error is the same at both points."""
    book = Notebook(tmp_path)
    taken = book.capture("test", "test", -108.0, noise_dbm=-108.0, grid_hz=GRID)
    middle = (GRID[10] + GRID[11]) / 2.0
    point, between = level_sd_db(taken, float(GRID[10])), level_sd_db(taken, float(middle))
    assert point is not None
    assert between is not None
    assert between.value > point.value / np.sqrt(2.0) * 1.0001
