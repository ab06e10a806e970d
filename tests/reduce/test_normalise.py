"""Normalisation and its refusals."""

from datetime import UTC, datetime, timedelta
from typing import Any

import numpy as np
import pytest

from benchd.errors import NormalisationRefused
from benchd.reduce.compatibility import COMPARED, description, differences, require_fit
from benchd.reduce.normalise import between, normalised, onto_grid, open_short_mean_db
from benchd.sweeps import SweepAsRun
from benchd.traces import Capture, Form, Role, Trace

NOON = datetime(2026, 3, 1, 12, 0, tzinfo=UTC)
GRID = np.linspace(1.5e9, 1.9e9, 401)


def taken(**changes: Any) -> dict[str, Any]:
    """How a capture was taken, with changes."""
    plain: dict[str, Any] = {
        "route": "middle port",
        "fixtures": {"port cable": "a1", "coupler": "b2"},
        "grid": GRID,
        "method": "stepped",
        "level_dbm": -10.0,
        "resolution_bandwidth_hz": 10e3,
        "detector": "rms",
        "instruments": {"analyzer": "Workshop,Analyzer,1"},
        "taken_at": NOON,
    }
    return plain | changes


def test_a_baseline_taken_the_same_way_fits() -> None:
    now = taken(taken_at=NOON + timedelta(hours=3), grid=GRID.copy())
    assert differences(taken(), now, max_age_s=4 * 3600) == []
    require_fit(taken(), now, max_age_s=4 * 3600)


@pytest.mark.parametrize(
    ("change", "sentence"),
    [
        ({"route": "range"}, "route: the baseline has middle port, the capture range"),
        (
            {"fixtures": {"port cable": "a1"}},
            "fixture coupler: only the baseline used it",
        ),
        (
            {"fixtures": {"port cable": "a1", "coupler": "b2", "pad": "c3"}},
            "fixture pad: only the capture used it",
        ),
        (
            {"fixtures": {"port cable": "zz", "coupler": "b2"}},
            "fixture port cable: its description changed since the baseline",
        ),
        (
            {"grid": GRID[:-1]},
            "grid: the baseline has 401 points over 1500 to 1900 MHz, "
            "the capture 400 points over 1500 to 1899 MHz",
        ),
        ({"method": "hold"}, "sweep method: the baseline has stepped, the capture hold"),
        ({"level_dbm": -7.0}, "source level (dBm): the baseline has -10, the capture -7"),
        (
            {"resolution_bandwidth_hz": 30e3},
            "resolution bandwidth (Hz): the baseline has 10000, the capture 30000",
        ),
        ({"detector": "log-average"}, "detector: the baseline has rms, the capture log-average"),
        ({"detector": None}, "detector: the baseline has rms, the capture none"),
        (
            {"instruments": {"analyzer": "Workshop,Analyzer,2"}},
            "instrument analyzer: the baseline was taken with Workshop,Analyzer,1, "
            "the capture with Workshop,Analyzer,2",
        ),
        (
            {"taken_at": NOON + timedelta(hours=5)},
            "age: the baseline lies 5 h from the capture, the recipe allows 4 h",
        ),
        (
            {"taken_at": NOON - timedelta(days=2)},
            "age: the baseline lies 2 d from the capture, the recipe allows 4 h",
        ),
    ],
)
def test_each_difference_is_told_in_a_sentence(change: dict[str, Any], sentence: str) -> None:
    assert differences(taken(), taken(**change), max_age_s=4 * 3600) == [sentence]


def test_a_refusal_names_every_difference_and_what_to_do() -> None:
    with pytest.raises(NormalisationRefused, match="Take a new baseline") as caught:
        require_fit(taken(), taken(route="range", level_dbm=0.0), where="step baseline")
    assert len(caught.value.differences) == 2
    assert str(caught.value).startswith("step baseline: route: ")


def test_another_grid_is_taken_only_where_asked_and_inside_the_span() -> None:
    inside, outside = taken(grid=GRID[10:-10:3]), taken(grid=GRID + 1e6)
    assert len(differences(taken(), inside)) == 1
    assert differences(taken(), inside, other_grid=True) == []
    assert differences(taken(), outside, other_grid=True) == [
        "grid: the capture's 1501 to 1901 MHz reaches outside the baseline's 1500 to 1900 MHz"
    ]


def test_what_differs_on_purpose_is_left_out() -> None:
    assert differences(taken(), taken(route="range"), leave_out=("route",)) == []
    with pytest.raises(ValueError, match="cannot leave out"):
        differences(taken(), taken(), leave_out=("roote",))


def test_a_capture_describes_itself_by_the_compared_names() -> None:
    trace = Trace("level", Form.LEVEL_DBM, GRID, np.zeros(GRID.size))
    capture = Capture(
        "c1", "b", "j", "s", Role.OPEN, "middle port", None, None, (trace,),
        SweepAsRun(
            method="stepped", start_hz=GRID[0], stop_hz=GRID[-1], points=GRID.size,
            level_dbm=-10.0, resolution_bandwidth_hz=1e4, detector="rms",
        ),
        {}, {}, NOON, "", "",
    )  # fmt: skip
    # `refined` is not compared: it says how the grids are.
    assert tuple(description(capture)) == (*COMPARED, "refined")
    assert differences(description(capture), description(capture)) == []


def test_open_and_short_are_averaged_in_db() -> None:
    mean = open_short_mean_db(np.array([-10.0, -11.0]), np.array([-10.4, -10.6]))
    np.testing.assert_allclose(mean, [-10.2, -10.8], atol=1e-12)


def level(values: Any, grid: np.ndarray | None = None, **more: Any) -> Trace:
    """A level trace on GRID or a grid of one's own."""
    f = GRID if grid is None else grid
    return Trace("level", Form.LEVEL_DBM, f, np.broadcast_to(values, f.shape) + 0.0, **more)


def test_a_capture_over_open_and_short() -> None:
    ratio = normalised(level(-40.0), [level(-20.0), level(-21.0)])
    assert ratio.form is Form.RATIO_DB
    np.testing.assert_allclose(ratio.values, np.full(GRID.shape, -19.5), atol=1e-12)


def test_bins_never_visited_are_left_out_of_both() -> None:
    seen, other = np.ones(401, dtype=bool), np.ones(401, dtype=bool)
    seen[7], other[9] = False, False
    ratio = normalised(level(-40.0, visited=seen), [level(-20.0, visited=other)])
    np.testing.assert_array_equal(ratio.frequency_hz, np.delete(GRID, [7, 9]))


def test_another_grid_is_interpolated_only_when_asked() -> None:
    coarse = np.linspace(1.5e9, 1.9e9, 5)
    baseline = level(np.linspace(-20, -24, 5), coarse)
    with pytest.raises(NormalisationRefused, match="only 5 of 401 frequencies are common"):
        normalised(level(-40.0), [baseline])
    ratio = normalised(level(-40.0), [baseline], other_grid=True)
    np.testing.assert_allclose(ratio.values, np.linspace(-20, -16, 401), atol=1e-9)
    with pytest.raises(NormalisationRefused, match="reaches outside"):
        onto_grid(coarse, np.zeros(5), coarse + 1e6)


def test_complex_ratios_are_divided() -> None:
    one = Trace("s21", Form.RATIO_COMPLEX, GRID, np.full(401, 0.3j))
    thru = Trace("s21", Form.RATIO_COMPLEX, GRID, np.full(401, 0.6 + 0j))
    np.testing.assert_allclose(normalised(one, [thru]).values, np.full(401, 0.5j), atol=1e-12)
    with pytest.raises(NormalisationRefused, match="takes exactly one"):
        normalised(one, [thru, thru])


@pytest.mark.parametrize(
    ("baselines", "message"),
    [
        ([], "expected one, or an open and a short; got 0"),
        ([Trace("r", Form.RATIO_DB, GRID, np.zeros(401))], "holds level_dbm, the baseline ratio"),
    ],
)
def test_baselines_of_the_wrong_kind_are_refused(baselines: list[Trace], message: str) -> None:
    with pytest.raises(NormalisationRefused, match=message):
        normalised(level(0.0), baselines)


def test_a_night_between_two_baselines_is_a_straight_line_in_time() -> None:
    opening, closing = np.array([-20.0, -21.0]), np.array([-20.4, -21.0])
    bracket = between(0.0, opening, 10.0, closing, 2.5)
    np.testing.assert_allclose(bracket.level_db, [-20.1, -21.0], atol=1e-12)
    np.testing.assert_allclose(bracket.drift_db, [-0.4, 0.0], atol=1e-12)
    np.testing.assert_allclose(bracket.leftover_db, [0.2, 0.0], atol=1e-12)
    with pytest.raises(NormalisationRefused, match="does not lie between"):
        between(0.0, opening, 10.0, closing, 11.0)


def test_a_part_of_a_baselines_grid_fits_it_only_where_a_sweep_chose_that_part() -> None:
    part = GRID[[0, 40, 41, 200, 400]]
    assert differences(taken(), taken(grid=part, refined=True)) == []
    assert differences(taken(), taken(grid=part)) == [
        "grid: the baseline has 401 points over 1500 to 1900 MHz, the capture 5 points over 1500 "
        "to 1900 MHz"
    ]
    off = part + np.array([0.0, 0.0, 250e3, 0.0, 0.0])
    assert differences(taken(), taken(grid=off, refined=True)) == [
        "grid: the baseline, 401 points over 1500 to 1900 MHz, lacks 1 of the 5 frequencies over "
        "1500 to 1900 MHz that the capture chose"
    ]
    # A baseline that chose for itself is compared as any other.
    assert len(differences(taken(grid=part, refined=True), taken(refined=True))) == 1


def test_normalising_a_part_of_the_grid_takes_the_baseline_at_just_those_frequencies() -> None:
    part = np.array([0, 40, 41, 200, 400])
    baseline = Trace("level", Form.LEVEL_DBM, GRID, np.linspace(-30.0, -31.0, 401))
    test = Trace("level", Form.LEVEL_DBM, GRID[part], np.full(5, -45.0))
    ratio = normalised(test, [baseline])
    np.testing.assert_array_equal(ratio.frequency_hz, GRID[part])
    np.testing.assert_allclose(ratio.values, -45.0 - baseline.values[part], atol=1e-12)
