"""Looking back at what is stored: traces thinned for a plot, and comparisons without a job."""

from __future__ import annotations

import numpy as np
import pytest

from benchd.errors import OrderRefused, ReductionRefused, UnknownId
from benchd.job_request import RecipeSource
from benchd.traces import Axis, Form, Trace
from tests.engine.office import Office
from tests.store import examples

POINTS = 100_001
GRID_HZ = np.linspace(1.45e9, 1.95e9, POINTS)


async def stored(office: Office, level: Trace) -> str:
    job = await office.desk.queue(RecipeSource("open-short-baseline"), {"antenna": "dipole r3"})
    capture = examples.capture(job.id, traces=(level,))
    office.store.commit_capture(capture, step_index_after=None)
    return capture.id


async def test_a_dip_one_point_wide_is_never_lost_and_zooming_shows_every_point(
    office: Office,
) -> None:
    values = -30.0 + 0.1 * np.sin(np.arange(POINTS) / 50.0)
    values[61_803] = -71.0
    values[7] = -12.0
    capture = await stored(office, Trace("level", Form.LEVEL_DBM, GRID_HZ, values))
    seen, recorded = await office.desk.past.thinned(capture, points=1000)
    assert recorded == POINTS
    assert seen.values.size <= 1000
    assert float(seen.values.min()) == -71.0
    assert float(seen.values.max()) == -12.0
    assert seen.frequency_hz[np.argmin(seen.values)] == GRID_HZ[61_803]

    near, _ = await office.desk.past.thinned(
        capture, points=1000, from_hz=float(GRID_HZ[61_700]), to_hz=float(GRID_HZ[61_900])
    )
    # One point more on each side, so that the line goes on to the edge of the plot.
    np.testing.assert_array_equal(near.frequency_hz, GRID_HZ[61_699:61_902])
    np.testing.assert_array_equal(near.values, values[61_699:61_902])


async def test_a_part_of_the_axis_where_nothing_was_measured_is_empty_and_no_fault(
    office: Office,
) -> None:
    level = Trace("level", Form.LEVEL_DBM, GRID_HZ, np.zeros(POINTS))
    capture = await stored(office, level)
    for from_hz, to_hz in ((0.0, 1e9), (2e9, 3e9), (1.8e9, 1.7e9)):
        seen, recorded = await office.desk.past.thinned(
            capture, points=100, from_hz=from_hz, to_hz=to_hz
        )
        assert seen.values.size <= 2
        assert recorded == POINTS


async def test_bins_that_a_hold_sweep_missed_are_no_dips(office: Office) -> None:
    values = np.full(POINTS, -30.0)
    visited = np.ones(POINTS, dtype=bool)
    visited[500:600] = False
    values[500:600] = -140.0
    values[777] = np.nan
    level = Trace("level", Form.LEVEL_DBM, GRID_HZ, values, visited)
    seen, recorded = await office.desk.past.thinned(await stored(office, level), points=1000)
    assert recorded == POINTS
    assert set(seen.values.tolist()) == {-30.0}


async def test_a_dip_of_a_complex_ratio_is_kept_with_both_its_parts(office: Office) -> None:
    ratio = np.exp(1j * np.linspace(0.0, 6.0, POINTS))
    ratio[31_416] *= 0.01
    capture = await stored(office, Trace("s11", Form.RATIO_COMPLEX, GRID_HZ, ratio))
    seen, _ = await office.desk.past.thinned(capture, points=500)
    assert seen.form is Form.RATIO_COMPLEX
    assert seen.values.size <= 500
    assert ratio[31_416] in seen.values


async def test_a_trace_over_an_angle_is_thinned_too(office: Office) -> None:
    degrees = np.linspace(-180.0, 180.0, POINTS)
    values = np.cos(np.radians(degrees))
    level = Trace("level", Form.LEVEL_DBM, Axis("angle", "deg", degrees), values)
    seen, _ = await office.desk.past.thinned(await stored(office, level), points=100)
    assert (seen.along.name, seen.along.unit) == ("angle", "deg")
    assert float(seen.values.max()) == 1.0


async def test_what_cannot_be_compared_is_refused_with_what_could(office: Office) -> None:
    past = office.desk.past
    with pytest.raises(OrderRefused, match='"colour" of two revisions is not compared'):
        await past.comparison("dipole r3", "yagi r2", quantity="colour")
    with pytest.raises(OrderRefused, match='both are "dipole r3"'):
        await past.comparison("dipole r3", "dipole r3")
    with pytest.raises(ReductionRefused, match='no stored vswr of "dipole r3"'):
        await past.comparison("dipole r3", "yagi r2", quantity="vswr")
    found, refused = await past.comparison("dipole r3", "yagi r2")
    assert found == []
    assert "no stored return_loss" in dict(refused)["return_loss"]
    with pytest.raises(ReductionRefused, match='no stored return loss of "dipole r3"'):
        await past.difference_curve("dipole r3", "yagi r2", first_job=None, second_job=None)


async def test_a_story_of_nobody_is_an_unknown_name_with_the_nearest_one(office: Office) -> None:
    with pytest.raises(UnknownId, match='did you mean "dipole r3"'):
        await office.desk.past.story("dipol r3")
    assert (await office.desk.past.story("dipole r3")).revisions[0].newest == {}


async def test_a_bench_of_which_nothing_is_known_says_so(office: Office) -> None:
    assert await office.desk.past.bench_state() == ([], [], [])


async def test_captures_of_a_route_that_was_taken_out_are_not_drawn_again_and_no_fault(
    office: Office,
) -> None:
    job = await office.desk.queue(RecipeSource("open-short-baseline"), {"antenna": "dipole r3"})
    capture = examples.capture(job.id, route="a route that was taken out")
    office.store.commit_capture(capture, step_index_after=None)
    records = [
        examples.record(job.id, antenna=antenna, captures=(capture.id,))
        for antenna in ("dipole r3", "yagi r2")
    ]
    office.store.commit_results(job.id, "dipole", records, step_index_after=None)
    with pytest.raises(ReductionRefused, match="captures of both must be stored"):
        await office.desk.past.difference_curve(
            "dipole r3", "yagi r2", first_job=None, second_job=None
        )
    found, _ = await office.desk.past.comparison("dipole r3", "yagi r2", quantity="return_loss")
    assert [one.quantity for one in found] == ["return_loss_difference"]
