"""Stored captures that a job needs are asked for before it waits, and before it measures."""

from __future__ import annotations

import pytest

from benchd.errors import OrderRefused
from benchd.job_request import RecipeSource
from benchd.store import JobState
from tests.engine.office import Office
from tests.patience import PATIENCE_S

DIPOLE = {"antenna": "dipole r3", "points": "21"}
YAGI = {"antenna": "yagi r2", "points": "21"}


async def done(office: Office, job_id: str, state: JobState = JobState.DONE) -> None:
    import asyncio

    async with asyncio.timeout(PATIENCE_S):
        while (await office.desk.job(job_id)).state is not state:
            await asyncio.sleep(0.02)


@pytest.mark.parametrize("verb", ["check", "queue"])
async def test_a_job_whose_baselines_nobody_took_is_refused_at_once(
    office: Office, verb: str
) -> None:
    with pytest.raises(OrderRefused) as refusal:
        await getattr(office.desk, verb)(RecipeSource("return-loss"), DIPOLE)
    text = str(refusal.value)
    assert "open baseline: there is no stored open capture of the route middle" in text
    assert "short baseline: there is no stored short capture of the route middle" in text
    assert "Nothing was measured" in text
    assert await office.desk.jobs() == []


async def test_baselines_that_wait_ahead_will_be_there(office: Office) -> None:
    await office.desk.queue(RecipeSource("open-short-baseline"), {"points": "21"})
    await office.desk.queue(RecipeSource("return-loss"), DIPOLE)
    with pytest.raises(OrderRefused, match="no stored open capture"):
        await office.desk.queue(RecipeSource("return-loss"), {**DIPOLE, "points": "31"})
    with pytest.raises(OrderRefused, match="no stored open capture"):
        await office.desk.queue(RecipeSource("return-loss"), {**DIPOLE, "level": "-12 dBm"})


async def test_stored_baselines_are_held_against_what_will_be_measured(working: Office) -> None:
    job = await working.desk.queue(RecipeSource("open-short-baseline"), {"points": "21"})
    await done(working, job.id)
    await working.desk.check(RecipeSource("return-loss"), DIPOLE)
    for arguments, difference in (
        ({"points": "31"}, "grid: the baseline has"),
        ({"level": "-12 dBm"}, "source level (dBm): the baseline has -10"),
        ({"max_age": "0 s"}, "the recipe allows 0 s"),
    ):
        with pytest.raises(OrderRefused) as refusal:
            await working.desk.check(RecipeSource("return-loss"), {**DIPOLE, **arguments})
        assert difference in str(refusal.value)


async def test_match_newest_wants_a_stored_reflection_of_each_antenna(office: Office) -> None:
    with pytest.raises(OrderRefused) as refusal:
        await office.desk.queue(RecipeSource("gain-pair-by-switch"), {**YAGI, "match": "newest"})
    for antenna in ("yagi r2", "reference dipole"):
        assert f'there is no stored reflection of "{antenna}"' in str(refusal.value)
    await office.desk.queue(RecipeSource("gain-pair-by-switch"), YAGI)


async def test_reflections_that_wait_ahead_will_be_there(office: Office) -> None:
    await office.desk.queue(RecipeSource("open-short-baseline"), {"points": "21"})
    for antenna in ("yagi r2", "reference dipole"):
        await office.desk.queue(RecipeSource("return-loss"), {"antenna": antenna, "points": "21"})
    await office.desk.queue(RecipeSource("gain-pair-by-switch"), {**YAGI, "match": "newest"})


async def test_what_came_to_nothing_meanwhile_fails_the_job_before_it_measures(
    office: Office,
) -> None:
    import asyncio

    baseline = await office.desk.queue(RecipeSource("open-short-baseline"), {"points": "21"})
    job = await office.desk.queue(RecipeSource("return-loss"), DIPOLE)
    await office.desk.withdraw(baseline.id)
    task = asyncio.create_task(office.queue.run())
    try:
        await done(office, job.id, JobState.FAILED)
    finally:
        task.cancel()
        await asyncio.wait({task})
    assert (
        "stored captures are missing that this job needs" in (await office.desk.job(job.id)).message
    )
    assert "measure" not in office.rig.log


REFINED = {"antenna": "dipole r3", "points": "101"}


async def test_a_sweep_that_refines_needs_a_baseline_over_its_whole_grid(office: Office) -> None:
    await office.desk.queue(RecipeSource("open-short-baseline"), {"points": "101"})
    await office.desk.queue(RecipeSource("return-loss-refined"), REFINED)
    with pytest.raises(OrderRefused, match="no stored open capture"):
        await office.desk.queue(RecipeSource("return-loss-refined"), {**REFINED, "points": "201"})


async def test_a_sweep_that_refined_is_no_reflection_that_a_gain_may_be_corrected_with(
    office: Office,
) -> None:
    await office.desk.queue(RecipeSource("open-short-baseline"), {"points": "101"})
    for antenna in ("yagi r2", "reference dipole"):
        arguments = {"antenna": antenna, "points": "101"}
        await office.desk.queue(RecipeSource("return-loss-refined"), arguments)
    with pytest.raises(OrderRefused, match=r"no stored reflection of .yagi r2"):
        await office.desk.queue(RecipeSource("gain-pair-by-switch"), {**YAGI, "match": "newest"})
