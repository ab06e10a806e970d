"""The greatest and the least of a curve over a band: neither biased nor too sure of themselves."""

import numpy as np
import pytest
from numpy.testing import assert_allclose

from benchd.reduce.band_extremes import Band, Coherence, kernel
from benchd.reduce.gain_by_substitution import gain_result, over_band
from benchd.reduce.montecarlo import settle
from benchd.reduce.uncertainty import term
from benchd.report.wording import where_words
from benchd.results import Term

GRID = np.linspace(1.6e9, 1.8e9, 41)
HOW = Coherence(0.5, (0.0, 10e-9))
CURVES = {
    "flat": np.zeros(GRID.size),
    "bent": 2.0 - 30.0 * ((GRID - 1.69e9) / 1e9) ** 2 * 10.0,
    "sloped": (GRID - 1.7e9) / 1e8,
}


def band(values: np.ndarray, box: float, mismatch: float, noise: float, same: float) -> Band:
    """Readings with these sizes of errors, dB."""
    row: list[Term] = [
        term("box", box, "dB"),
        term("mismatch at test", mismatch, "dB"),
        term("noise, test", noise, "dB"),
        term("reference gain", same, "dB"),
    ]
    return Band(GRID, values, [row] * GRID.size, HOW)


def errors(rng: np.random.Generator, sizes: tuple[float, float, float, float]) -> np.ndarray:
    """One draw of all errors over the grid, by their laws."""
    total = np.zeros((GRID.size, GRID.size))
    for size, law in zip(sizes, ("box", "mismatch", "noise", "same"), strict=True):
        total += size**2 * kernel(law, GRID, GRID, HOW)
    values, directions = np.linalg.eigh(total)
    root = directions * np.sqrt(np.maximum(values, 0.0))
    return np.asarray(root @ rng.standard_normal(GRID.size))


@pytest.mark.parametrize("name", CURVES)
@pytest.mark.parametrize(
    "sizes", [(0.0, 0.0, 0.5, 0.1), (0.5, 0.1, 0.02, 0.1), (0.1, 0.2, 0.1, 0.1)]
)
def test_the_interval_of_an_extreme_holds_it(
    name: str, sizes: tuple[float, float, float, float]
) -> None:
    """100 bands: three standard deviations of a binomial of 100 at 95 % are 6.5 %; what errors do
    to the choice of the smoothing may cost 3 % more."""
    rng = np.random.default_rng(3)
    true = CURVES[name]
    held, off, raw, half = [], [], [], []
    for _ in range(100):
        seen = true + errors(rng, sizes)
        least, greatest = band(seen, *sizes).extremes(trials=500)
        held += [
            least.low_db <= true.min() <= least.high_db,
            greatest.low_db <= true.max() <= greatest.high_db,
        ]
        off.append((greatest.value_db - true.max()) - (least.value_db - true.min()))
        raw.append(float(np.ptp(seen) - np.ptp(true)))
        half.append((greatest.high_db - greatest.low_db) / 2.0)
    assert np.mean(held) >= 0.855
    # What the errors add to greatest less least is mostly taken off again: half of it may be left,
    # where walls bend the curve as antennas do; two standard errors of the mean of 100 beside.
    chance = 2.0 * float(np.std(off)) / 10.0
    assert abs(np.mean(off)) < 0.5 * abs(np.mean(raw)) + chance
    # No wider than one reading would be with all its errors, by much.
    assert np.mean(half) < 1.96 * 1.35 * np.hypot.reduce(sizes)


def test_noise_that_is_new_at_each_point_makes_no_extreme() -> None:
    """Of 41 readings with 0.5 dB each the greatest is 1.1 dB too great (order statistics of the
    normal law: 2.17 standard deviations, H. L. Harter, 1961, from memory)."""
    rng = np.random.default_rng(9)
    raw, corrected = [], []
    for _ in range(60):
        seen = rng.normal(0.0, 0.5, GRID.size)
        raw.append(seen.max())
        corrected.append(band(seen, 0.0, 0.0, 0.5, 0.0).extremes(trials=300)[1].value_db)
    assert np.mean(raw) == pytest.approx(2.17 * 0.5, abs=0.1)
    assert abs(np.mean(corrected)) < 0.2


def test_the_edge_of_a_band_that_falls_ever_faster_is_not_smoothed_away() -> None:
    """A Yagi of three by NEC2 on a drawn range, its least gain 5.13 dBi at the band's end. Its
    mismatch there is four times that in the middle. The least once came out 1.1 dB too great and
    missed: a smoothing as smooth as can be took the bend of the middle for that of the edge."""
    grid = np.linspace(1.6864e9, 1.8269e9, 21)
    seen = np.array([
        7.409, 7.432, 7.449, 7.513, 7.655, 7.875, 8.137, 8.391, 8.576, 8.640, 8.557,
        8.208, 7.746, 7.258, 6.808, 6.431, 6.135, 5.921, 5.787, 5.631, 5.465,
    ])  # fmt: skip
    near = np.array([
        0.199, 0.178, 0.153, 0.132, 0.115, 0.104, 0.094, 0.088, 0.104, 0.123, 0.145,
        0.172, 0.203, 0.240, 0.266, 0.291, 0.318, 0.337, 0.353, 0.369, 0.381,
    ])  # fmt: skip
    rows = [
        [
            term("box", 0.216 + 0.096 * share**2, "dB"),
            term("mismatch at the near antenna", float(size), "dB"),
            term("mismatch at the far antenna", 0.64 * float(size), "dB"),
            term("cable and switch", 0.1, "dB"),
        ]
        for share, size in zip(np.linspace(0.0, 1.0, grid.size), near, strict=True)
    ]
    least = Band(grid, seen, rows, Coherence(0.279, (0.0, 13.3e-9))).extremes()[0]
    assert least.low_db <= 5.13 <= least.high_db
    assert least.value_db == pytest.approx(5.13, abs=0.5)


def test_without_errors_the_extremes_are_those_of_the_curve() -> None:
    for true in CURVES.values():
        least, greatest = band(true, 0.0, 0.0, 0.0, 0.0).extremes(trials=50)
        assert_allclose([least.value_db, greatest.value_db], [true.min(), true.max()], atol=0.02)


def test_an_error_that_comes_in_twice_with_either_sign_counts_once() -> None:
    """Lines of one source: what cancels in the budget cancels here."""
    row = [
        term("box, A to B", 1.0, "dB", source="walls"),
        term("box, A to C", 1.0, "dB", sensitivity=-1.0, source="walls"),
        term("noise", 0.01, "dB"),
    ]
    found = Band(GRID, CURVES["bent"], [row] * GRID.size, HOW).extremes(trials=200)[1]
    assert found.high_db - found.low_db < 0.1


def test_many_points_are_grouped_and_give_the_same_extremes() -> None:
    fine = np.linspace(1.6e9, 1.8e9, 4001)
    true = 2.0 - 30.0 * ((fine - 1.69e9) / 1e9) ** 2 * 10.0
    row = [term("noise", 0.05, "dB"), term("box", 0.2, "dB")]
    found = Band(fine, true, [row] * fine.size, HOW).extremes(trials=100)[1]
    assert found.value_db == pytest.approx(2.0, abs=0.03)
    assert found.near_hz == pytest.approx(1.69e9, abs=3e6)


def test_a_place_is_told_only_where_errors_leave_no_other() -> None:
    """A curve that falls from 1.69 GHz to both ends, by 0.01 dB more to the one: 0.2 dB of the
    walls decide which end reads less, and none moves the middle to an end."""
    tilted = CURVES["bent"] + 0.6 * (GRID - 1.69e9) / 1e8 + 0.01 * (GRID > 1.75e9)
    row = [term("box", 0.2, "dB"), term("noise, test", 0.02, "dB")]
    least, greatest = Band(GRID, tilted, [row] * GRID.size, HOW).extremes(trials=500)
    assert abs(tilted[0] - tilted[-1]) < 0.02
    assert not least.is_placed
    assert greatest.is_placed
    steep = Band(GRID, CURVES["sloped"], [row] * GRID.size, HOW).extremes(trials=500)
    assert [one.is_placed for one in steep] == [True, True]
    assert [one.near_hz for one in steep] == [GRID[0], GRID[-1]]


def test_a_result_without_a_known_place_names_none() -> None:
    """Two ends alike, read 0.02 dB apart: no frequency, and the words say so."""
    tilted = CURVES["bent"] + 0.6 * (GRID - 1.69e9) / 1e8
    row = [term("box", 0.2, "dB"), term("noise, test", 0.02, "dB")]
    points = [
        gain_result("gain", float(value), settle(row, estimate=float(value)), (), float(f))
        for f, value in zip(GRID, tilted, strict=True)
    ]
    _, least, greatest = over_band(points, (1.6e9, 1.8e9))
    assert least.quantity == "gain_min"
    assert least.frequency_hz is None
    assert "leave open where in the band" in least.note
    assert where_words(least) == "somewhere in 1.6 to 1.8 GHz"
    assert greatest.frequency_hz == pytest.approx(1.69e9, abs=2e7)
    assert "leave open" not in greatest.note


def test_a_least_gain_of_a_band_that_was_not_read_whole_may_be_any_lower() -> None:
    row = [term("box", 0.2, "dB"), term("noise, test", 0.02, "dB")]
    points = [
        gain_result("gain", float(value), settle(row, estimate=float(value)), (), float(f))
        for f, value in zip(GRID, CURVES["bent"], strict=True)
    ]
    mean, least, greatest = over_band(points, (1.6e9, 1.8e9))
    unread_mean, unread_least, unread_greatest = over_band(points, (1.6e9, 1.8e9), unread=2)
    assert (unread_mean, unread_greatest) == (mean, greatest)
    assert least.low is not None
    assert (unread_least.value, unread_least.high) == (least.value, least.high)
    assert (unread_least.low, unread_least.expanded_uncertainty) == (None, None)
    assert "2 readings of the band saw no source" in unread_least.note


def test_a_single_point_has_its_own_interval() -> None:
    one = Band(GRID[:1], np.array([1.0]), [[term("box", 0.5, "dB")]], HOW)
    least, greatest = one.extremes(trials=2000)
    assert (least.value_db, greatest.value_db) == (pytest.approx(1.0, abs=0.05),) * 2
    assert greatest.high_db - greatest.low_db == pytest.approx(2 * 1.96 * 0.5, rel=0.08)
