"""Queue and desk over a real store, with a rig whose instruments are a list of what was asked."""

from __future__ import annotations

import asyncio
from collections.abc import AsyncIterator
from contextlib import suppress
from datetime import UTC, datetime, timedelta, tzinfo
from typing import Any

import pytest

from benchd.errors import OrderRefused, UnsafeError
from benchd.job_request import RecipeSource
from benchd.store import JobState, WrongState
from tests.engine.office import Office
from tests.patience import PATIENCE_S


async def test_rf_is_off_before_anything_is_connected_or_recovered(working: Office) -> None:
    await working.until((await working.text()).id, JobState.DONE)
    assert working.rig.log[:2] == ["rf off", "connect"]


async def test_no_job_runs_until_a_lost_source_is_known_to_be_off(office: Office) -> None:
    office.rig.lost = 2
    job = await office.text()
    task = asyncio.create_task(office.queue.run())
    watcher = office.hub.watch(0)
    # Tried several times a second; the same trouble is told once, not at every try.
    said = [event async for event in _take_kinds(watcher, "rf", 2)]
    assert [event.data["off"] for event in said] == [None, True]
    assert said[0].data["message"] == "generator: does not answer"
    assert office.rig.rf_offs >= 3
    await office.until(job.id, JobState.DONE)
    task.cancel()
    with suppress(asyncio.CancelledError):
        await task


async def _take_kinds(watcher: Any, kind: str, count: int) -> AsyncIterator[Any]:
    found = 0
    async for event in watcher:
        if event.kind == kind:
            yield event
            found += 1
            if found == count:
                return


async def test_higher_priority_runs_first_then_the_older(office: Office) -> None:
    first = await office.text()
    second = await office.text()
    urgent = await office.text(priority=5)
    task = asyncio.create_task(office.queue.run())
    for job in (first, second, urgent):
        await office.until(job.id, JobState.DONE)
    rows = [await office.desk.job(job.id) for job in (urgent, first, second)]
    starts = [row.started_at for row in rows]
    assert starts == sorted(starts)  # type: ignore[type-var]
    task.cancel()
    with suppress(asyncio.CancelledError):
        await task


async def test_a_job_waits_for_its_window_and_one_without_a_window_passes_it(
    working: Office,
) -> None:
    later = await working.text(not_before=datetime.now(UTC) + timedelta(hours=1))
    now = await working.text()
    await working.until(now.id, JobState.DONE)
    assert (await working.desk.job(later.id)).state is JobState.WAITING


class AMinuteLater(datetime):
    """The clock on the wall, when most of a window of a minute has passed."""

    @classmethod
    def now(cls, tz: tzinfo | None = None) -> datetime:
        """59 seconds after it really is."""
        return datetime.now(tz) + timedelta(seconds=59.0)


async def test_a_job_that_no_longer_fits_its_window_is_missed_and_says_why(
    office: Office, monkeypatch: pytest.MonkeyPatch
) -> None:
    job = await office.text(seconds=2.0, finish_by=datetime.now(UTC) + timedelta(seconds=60.0))
    monkeypatch.setattr("benchd.engine.queue.datetime", AMinuteLater)
    task = asyncio.create_task(office.queue.run())
    row = await office.until(job.id, JobState.MISSED)
    assert row.message.startswith("needs about 2 s but its window closes at ")
    task.cancel()
    with suppress(asyncio.CancelledError):
        await task


async def test_a_window_too_short_for_the_job_is_refused_when_it_is_queued(office: Office) -> None:
    with pytest.raises(OrderRefused, match=r"needs about 60 s, its window has \d+ s"):
        await office.text(seconds=60, finish_by=datetime.now(UTC) + timedelta(seconds=10))
    assert await office.desk.jobs() == []


async def test_a_window_without_a_time_zone_is_refused(office: Office) -> None:
    with pytest.raises(OrderRefused, match='"finish by" 2030-01-01T00:00:00 has no time zone'):
        await office.text(finish_by=datetime(2030, 1, 1))


async def test_a_waiting_job_is_withdrawn_for_good(office: Office) -> None:
    job = await office.text()
    assert (await office.desk.withdraw(job.id)).state is JobState.WITHDRAWN
    with pytest.raises(WrongState, match="is withdrawn, so it cannot become withdrawn"):
        await office.desk.withdraw(job.id)


async def test_a_waiting_step_is_left_early_when_its_job_is_withdrawn(working: Office) -> None:
    job = await working.text(seconds=300)
    await working.until(job.id, JobState.RUNNING)
    await working.desk.withdraw(job.id)
    await working.until(job.id, JobState.WITHDRAWN)


async def test_ready_is_refused_where_nothing_is_asked(working: Office) -> None:
    job = await working.text(seconds=300)
    await working.until(job.id, JobState.RUNNING)
    with pytest.raises(OrderRefused, match="is running and asks for nothing now"):
        await working.desk.ready(job.id)


TWO_REQUESTS = """\
recipe: two-requests
title: Two things to do, one after the other
steps:
  - hands: {ask: Fit the open.}
  - hands: {ask: Fit the short.}
"""


async def test_an_answer_given_twice_does_not_answer_the_next_request(working: Office) -> None:
    """Two presses of a key: RF must not go on while hands are still busy with the second one."""
    job = await working.desk.queue(RecipeSource(text=TWO_REQUESTS, file="two.yaml"), {})

    async def asked(step: int) -> None:
        while (row := await working.desk.job(job.id)).hands is None or row.hands["step"] != step:
            await asyncio.sleep(0.005)

    async with asyncio.timeout(PATIENCE_S):
        await asked(0)
        await working.desk.ready(job.id, 0)
        await asked(1)
    with pytest.raises(OrderRefused) as refusal:
        await working.desk.ready(job.id, 0)
    assert str(refusal.value) == (
        f"job {job.id} asks for something else now, in step 1, not 0. "
        f"It asks: Fit the short. Then: benchd ready {job.id} --step 1"
    )
    assert (await working.desk.job(job.id)).state is JobState.NEEDS_HANDS
    await working.desk.ready(job.id, 1)
    await working.until(job.id, JobState.DONE)


async def test_an_unknown_recipe_names_the_nearest(office: Office) -> None:
    with pytest.raises(OrderRefused, match=r'no recipe "retrun-loss"\. Did you mean "return-loss"'):
        await office.desk.queue(RecipeSource("retrun-loss"), {})


@pytest.mark.parametrize("name", ["../secrets", "/etc/passwd", "benches/workshop", "a\nb", ""])
async def test_no_recipe_name_leaves_the_folders(office: Office, name: str) -> None:
    with pytest.raises(OrderRefused, match="there is no recipe"):
        await office.desk.queue(RecipeSource(name), {})


async def test_a_job_that_could_damage_something_is_refused_before_it_may_wait(
    office: Office,
) -> None:
    weak = office.desk._current.now.model_copy(deep=True)
    analyzer = weak.instruments["analyzer"].model_copy(update={"largest_input_dbm": -40.0})
    office.desk._current.now = weak.model_copy(
        update={"instruments": {**weak.instruments, "analyzer": analyzer}}
    )
    with pytest.raises(UnsafeError, match="analyzer"):
        await office.desk.queue(RecipeSource("return-loss"), {"antenna": "dipole r3"})
    assert await office.desk.jobs() == []


@pytest.mark.parametrize(
    ("on_interrupt", "state"), [("resume", JobState.DONE), ("fail", JobState.FAILED)]
)
async def test_jobs_found_under_way_go_on_as_their_recipe_says(
    office: Office, on_interrupt: str, state: JobState
) -> None:
    job = await office.text(on_interrupt=on_interrupt)
    await office.desk._db.call(office.store.set_state, job.id, JobState.RUNNING)
    task = asyncio.create_task(office.queue.run())
    row = await office.until(job.id, state)
    assert row.interruptions == 1
    task.cancel()
    with suppress(asyncio.CancelledError):
        await task
