"""The spread of a level at a frequency, on the points of a capture and between them."""

import gc
import math
import weakref
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from benchd.errors import ReductionRefused
from benchd.known import carrier_levels
from benchd.known.carrier_levels import carrier_dbm, level_sd_db, only_visited
from benchd.reduce.uneven import roughness_db
from benchd.traces import Capture
from tests.reductions.captures import GRID, Notebook


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


def held(notebook: Notebook, level_dbm: float, noise_dbm: float, visited: Any = None) -> Capture:
    """Held maxima over the grid, with the held noise beside."""
    made = notebook.capture("held", "test", level_dbm, noise_dbm=noise_dbm, method="hold",
                            detector="peak", antenna="dipole r3")  # fmt: skip
    level = replace(made.level, visited=visited)
    return replace(made, traces=(level, *made.traces[1:]))


@pytest.mark.parametrize("looks", [5, 200])
@pytest.mark.parametrize("above_db", [12.0, 20.0, 40.0])
def test_held_maxima_are_read_between_the_carrier_and_carrier_plus_noise(
    tmp_path: Path, above_db: float, looks: int
) -> None:
    """3000 times the greatest of some readings beside the greatest of 200 of noise alone: the true
    carrier lies within the half-width in at least 95 of 100, by draws apart from the formula."""
    notebook = Notebook(tmp_path)
    rng = np.random.default_rng(4)
    carrier = 10.0 ** (above_db / 20.0)
    shape = (3000, 200)
    first, second = (
        rng.normal(0.0, 0.2, shape) + 1j * rng.normal(0.0, 0.2, shape) for _ in range(2)
    )
    noise = np.abs(first).max(axis=1)
    read = np.abs(carrier + second[:, :looks]).max(axis=1)
    typical = held(notebook, 20.0 * np.log10(np.median(read)), 20.0 * np.log10(np.median(noise)))
    sd = level_sd_db(typical, 1.7e9)
    assert sd is not None
    middle = carrier_dbm(typical)[0]
    half = sd.value * math.sqrt(3.0)
    inside = np.abs(20.0 * np.log10(carrier / read * np.median(read)) - middle) <= half
    assert np.mean(inside) >= 0.95


def test_bins_that_the_source_never_entered_are_left_out(tmp_path: Path) -> None:
    notebook = Notebook(tmp_path)
    seen = np.ones(GRID.size, dtype=bool)
    seen[10:20] = False
    some, other = held(notebook, -40.0, -90.0, seen), held(notebook, -42.0, -90.0)
    for cut in only_visited([some, other]):
        assert cut.level.frequency_hz.tolist() == GRID[seen].tolist()
    untouched = only_visited([other])
    assert untouched[0] is other


def test_held_captures_without_two_common_bins_are_refused(tmp_path: Path) -> None:
    notebook = Notebook(tmp_path)
    left, right = np.zeros(GRID.size, dtype=bool), np.zeros(GRID.size, dtype=bool)
    left[:5], right[4:9] = True, True
    with pytest.raises(ReductionRefused, match="seen in 1 of 81 bins"):
        only_visited([held(notebook, -40.0, -90.0, left), held(notebook, -40.0, -90.0, right)])


def tracked(notebook: Notebook, samples: int, distance_db: float, seed: int) -> Capture:
    """A tracking sweep whose analyzer averages so many independent powers at each point."""
    rng = np.random.default_rng(seed)
    made = notebook.capture("tracked", "test", -100.0, noise_dbm=-110.0, method="tracking",
                            antenna="dipole r3")  # fmt: skip
    size = np.sqrt(10.0 ** (distance_db / 10.0))
    shape = (samples, GRID.size)
    wave = (rng.normal(size=shape) + 1j * rng.normal(size=shape)) / np.sqrt(2.0)
    read = [-110.0 + 10.0 * np.log10(np.mean(np.abs(a + wave) ** 2, axis=0)) for a in (size, 0.0)]
    noise = replace(made.traces[1], axis=GRID, values=read[1])
    return replace(made, traces=(replace(made.level, values=read[0]), noise))


@pytest.mark.parametrize("samples", [20, 1000])
def test_a_tracking_sweep_tells_by_its_noise_how_much_it_averages(
    tmp_path: Path, samples: int
) -> None:
    """The dwell of the recipe says nothing of a sweep whose time the analyzer chose. Drawn by
    Rice's law."""
    book = Notebook(tmp_path)
    found, errors = [], []
    for seed in range(40):
        taken = tracked(book, samples, 6.0, seed)
        stated = level_sd_db(taken, float(GRID[10]))
        assert stated is not None
        found.append(stated.value)
        errors += list(carrier_dbm(taken)[5:15] - (-104.0))
    assert float(np.median(found)) == pytest.approx(float(np.std(errors)), rel=0.15)
    assert stated.degrees_of_freedom == GRID.size - 1


def test_what_a_whole_trace_tells_is_worked_out_once_a_capture_and_goes_with_it(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Each frequency of a long trace asks for it; another capture has its own."""
    looks: list[int] = []

    def counted(level_db: np.ndarray, frequency_hz: np.ndarray) -> float:
        looks.append(level_db.size)
        return roughness_db(level_db, frequency_hz)

    monkeypatch.setattr(carrier_levels, "roughness_db", counted)
    book = Notebook(tmp_path)
    rng = np.random.default_rng(8)
    shapes = [-60.0 + size * rng.standard_normal(GRID.size) for size in (0.1, 0.4)]
    takes = [book.capture(f"test{n}", "test", shape) for n, shape in enumerate(shapes)]
    spreads = [[level_sd_db(taken, float(at_hz)) for at_hz in GRID] for taken in takes]
    assert looks == [GRID.size] * 2
    assert spreads[0][5] != spreads[1][5]
    gone = weakref.ref(takes[0])
    del takes
    gc.collect()
    assert gone() is None
