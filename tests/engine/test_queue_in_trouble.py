"""A queue that meets a full disk, a busy or damaged store, driver faults and races, and goes on."""

from __future__ import annotations

import asyncio
from collections.abc import Callable
from contextlib import suppress
from datetime import UTC, datetime, timedelta
from importlib.resources import files
from pathlib import Path
from typing import Any

import pytest
from sqlalchemy import text

from benchd.bench import load_bench
from benchd.engine import queue, rf_off_repeater, storethread
from benchd.engine.recovery import MOST_INTERRUPTIONS
from benchd.errors import OrderRefused
from benchd.job_request import RecipeSource
from benchd.store import JobRow, JobState, StoreError, StoreFull
from tests.engine.office import Office
from tests.patience import PATIENCE_S

BENCHES = Path(str(files("recipes") / "benches"))

CAPTURE_THEN_REDUCE = """
recipe: one-sided
title: A baseline and a test
on_interrupt: resume
sweeps:
  main: {method: stepped, start: 1.6 GHz, stop: 1.8 GHz, points: 11, level: -10 dBm,
    resolution_bandwidth: 10 kHz, detector: rms, dwell: 1 ms}
steps:
  - capture: {name: open, role: open, route: middle, position: open, sweep: main}
  - capture: {name: short, role: short, route: middle, position: short, sweep: main}
  - wait: {for: 0.01 s}
  - capture: {name: antenna, role: test, route: middle, position: antenna, antenna: dipole r3,
      sweep: main}
  - reduce: {kind: reflection, test: antenna, baseline: {open: open, short: short, max_age: 1 h}}
"""


@pytest.fixture(autouse=True)
def no_patience(monkeypatch: pytest.MonkeyPatch) -> None:
    """All waits before another try are short."""
    monkeypatch.setattr(storethread, "FIRST_S", 0.01)
    monkeypatch.setattr(storethread, "MOST_S", 0.01)
    monkeypatch.setattr(queue, "TROUBLE_S", 0.01)
    monkeypatch.setattr(rf_off_repeater, "RETRY_S", 0.01)


@pytest.fixture
def failing(office: Office, monkeypatch: pytest.MonkeyPatch) -> Callable[..., list[int]]:
    """Have a method of the store raise an error the next `times` times it is called `when` so."""

    def arrange(
        name: str, error: Exception, times: int, when: Callable[..., bool] = lambda *a, **k: True
    ) -> list[int]:
        calls, plain = [0], getattr(office.store, name)

        def method(*arguments: Any, **named: Any) -> Any:
            if when(*arguments, **named) and calls[0] < times:
                calls[0] += 1
                raise error
            return plain(*arguments, **named)

        monkeypatch.setattr(office.store, name, method)
        return calls

    return arrange


async def run(office: Office, job: JobRow, state: JobState) -> JobRow:
    """Let the queue work until the job stands so; the queue must be alive then."""
    task = asyncio.create_task(office.queue.run())
    ended = asyncio.create_task(office.until(job.id, state))
    await asyncio.wait({task, ended}, return_when=asyncio.FIRST_COMPLETED)
    assert not task.done(), task.exception()
    row = await ended
    task.cancel()
    with suppress(asyncio.CancelledError):
        await task
    return row


async def test_a_capture_waits_for_room_on_a_full_disk_and_is_not_lost(
    office: Office, failing: Any
) -> None:
    calls = failing("commit_capture", StoreFull("the disk is full"), 4)
    job = await office.desk.queue(RecipeSource(text=CAPTURE_THEN_REDUCE, file="one.yaml"), {})
    # The flat trace cannot be reduced: the reduce step ends the job, after three captures.
    await run(office, job, JobState.FAILED)
    assert calls == [4]
    rows = await office.desk.captures(job_id=job.id)
    assert [row.step for row in rows] == ["antenna", "short", "open"]
    assert office.rig.log.count("measure") == 3, "nothing was measured twice"


async def test_the_end_of_a_job_is_written_down_once_the_disk_has_room(
    office: Office, failing: Any
) -> None:
    calls = failing(
        "set_state", StoreFull("the disk is full"), 4, lambda _id, state, **_: state == "done"
    )
    job = await office.text()
    await run(office, job, JobState.DONE)
    assert calls == [4]
    assert (await office.desk.health())["store"] == ""


async def test_health_tells_what_keeps_the_store_from_working(office: Office, failing: Any) -> None:
    failing("set_state", StoreFull("the disk is full", advice="Free some space"), 10**6)
    await office.text()
    task = asyncio.create_task(office.queue.run())
    async with asyncio.timeout(PATIENCE_S):
        while not (await office.desk.health())["store"]:
            await asyncio.sleep(0.005)
    assert (await office.desk.health())["store"] == "the disk is full. Free some space"
    task.cancel()
    with suppress(asyncio.CancelledError):
        await task


async def test_a_busy_store_holds_up_the_queue_and_does_not_end_it(
    office: Office, failing: Any
) -> None:
    calls = failing("next_waiting", StoreError("another program holds the database"), 3)
    await run(office, await office.text(), JobState.DONE)
    assert calls == [3]
    assert office.rig.rf_offs >= 4, "RF was made safe at the start and after every trouble"


async def test_a_job_whose_end_the_store_refused_for_long_is_taken_up_again(
    office: Office, failing: Any
) -> None:
    failing(
        "set_state",
        StoreError("the disk refused to write"),
        storethread.MOST_RETRIES + 1,
        lambda _id, state, **_: state == "done",
    )
    row = await run(office, await office.text(), JobState.DONE)
    assert row.interruptions == 1


async def test_a_job_withdrawn_while_its_window_is_looked_at_stays_withdrawn(
    office: Office, failing: Any, monkeypatch: pytest.MonkeyPatch
) -> None:
    late = await office.text(finish_by=datetime.now(UTC) + timedelta(seconds=1))
    plain = office.queue._expected_s

    async def withdrawn_meanwhile(job: JobRow) -> float:
        await plain(job)
        await office.desk.withdraw(job.id)
        return 3600.0

    monkeypatch.setattr(office.queue, "_expected_s", withdrawn_meanwhile)
    await run(office, await office.text(), JobState.DONE)
    assert (await office.desk.job(late.id)).state is JobState.WITHDRAWN


async def test_an_interrupted_job_withdrawn_during_the_start_stays_withdrawn(
    office: Office, monkeypatch: pytest.MonkeyPatch
) -> None:
    first, second = await office.text(), await office.text()
    for job in (first, second):
        await office.desk._db.call(office.store.set_state, job.id, JobState.RUNNING)
    plain = office.store.mark_interrupted

    def withdrawn_meanwhile(bench: str) -> list[JobRow]:
        found = plain(bench)
        office.store.set_state(first.id, JobState.WITHDRAWN)
        return found

    monkeypatch.setattr(office.store, "mark_interrupted", withdrawn_meanwhile)
    await run(office, second, JobState.DONE)
    assert (await office.desk.job(first.id)).state is JobState.WITHDRAWN


async def test_a_job_withdrawn_in_its_last_step_ends_withdrawn(
    office: Office, monkeypatch: pytest.MonkeyPatch
) -> None:
    job = await office.text()
    plain = office.queue._runner._step

    async def step(*arguments: Any) -> None:
        await plain(*arguments)
        await office.desk.withdraw(job.id)

    monkeypatch.setattr(office.queue._runner, "_step", step)
    await run(office, job, JobState.WITHDRAWN)


@pytest.mark.parametrize("state", [JobState.WAITING, JobState.RUNNING])
async def test_a_damaged_worksheet_fails_its_own_job_and_stops_no_other(
    office: Office, state: JobState
) -> None:
    broken = await office.text(seconds=0.02, finish_by=datetime.now(UTC) + timedelta(hours=1))
    sound = await office.text(seconds=0.01)
    await office.desk._db.call(office.store.set_state, broken.id, state, step_index=1)
    with office.store._database.writing() as connection:
        connection.execute(
            text("UPDATE worksheets SET body = '{}' WHERE hash = :hash"),
            {"hash": broken.worksheet_hash},
        )
    await run(office, sound, JobState.DONE)
    row = await office.until(broken.id, JobState.FAILED)
    assert row.error is not None
    assert "worksheet" in row.message.lower()


async def test_a_driver_fault_while_switching_rf_off_is_tried_again_and_ends_nothing(
    office: Office, monkeypatch: pytest.MonkeyPatch
) -> None:
    plain, calls = office.rig.rf_off, [0]

    def rf_off() -> None:
        calls[0] += 1
        if calls[0] in (1, 2, 4):
            raise ValueError("a driver met something it did not expect")
        plain()

    monkeypatch.setattr(office.rig, "rf_off", rf_off)
    await office.text()
    await run(office, await office.text(), JobState.DONE)
    assert calls[0] >= 5


async def test_a_job_fails_where_a_driver_fault_meets_it_and_rf_off_fails_too(
    office: Office, monkeypatch: pytest.MonkeyPatch
) -> None:
    job = await office.desk.queue(RecipeSource(text=CAPTURE_THEN_REDUCE, file="one.yaml"), {})
    plain, broken = office.rig.rf_off, [0]

    def measure(*_: Any, **__: Any) -> None:
        broken[0] = 2
        raise ZeroDivisionError("a driver's mistake")

    def rf_off() -> None:
        if broken[0]:
            broken[0] -= 1
            raise ValueError("and another")
        plain()

    monkeypatch.setattr(office.rig, "measure", measure)
    monkeypatch.setattr(office.rig, "rf_off", rf_off)
    row = await run(office, job, JobState.FAILED)
    assert row.error is not None
    assert row.error["family"] == "fault"
    assert row.message == "a fault in benchd: ZeroDivisionError: a driver's mistake"


async def interrupted_after_baselines(office: Office) -> JobRow:
    """The job, as a power cut in its third step leaves it."""
    job = await office.desk.queue(RecipeSource(text=CAPTURE_THEN_REDUCE, file="one.yaml"), {})
    await run(office, job, JobState.FAILED)
    with office.store._database.writing() as connection:
        connection.execute(
            text("UPDATE jobs SET state = 'running', step_index = 3, ended_at = NULL")
        )
        connection.execute(
            text(
                "DELETE FROM traces WHERE capture_id IN "
                "(SELECT id FROM captures WHERE step = 'antenna')"
            )
        )
        connection.execute(text("DELETE FROM captures WHERE step = 'antenna'"))
    office.rig.log.clear()
    return job


async def test_an_interrupted_job_resumes_where_its_baselines_still_fit(office: Office) -> None:
    job = await interrupted_after_baselines(office)
    await run(office, job, JobState.FAILED)
    assert office.rig.log.count("measure") == 1


async def test_a_job_that_is_interrupted_again_and_again_fails_in_the_end(office: Office) -> None:
    """Ten starts that found it under way; the ninth still lets it go on."""
    job = await interrupted_after_baselines(office)

    def found_under_way(times: int) -> None:
        with office.store._database.writing() as connection:
            connection.execute(
                text("UPDATE jobs SET state = 'running', step_index = 3, interruptions = :n"),
                {"n": times - 1},
            )

    found_under_way(MOST_INTERRUPTIONS - 1)
    await office.queue.recover()
    assert (await office.desk.job(job.id)).state is JobState.WAITING
    found_under_way(MOST_INTERRUPTIONS)
    await office.queue.recover()
    row = await office.desk.job(job.id)
    assert (row.state, row.message) == (
        JobState.FAILED, "interrupted at step 4, 10 times in all",
    )  # fmt: skip
    assert row.error is not None
    assert row.error["advice"].startswith("Its captures are kept. Power fails too often")
    assert office.store.captures(job_id=job.id)


async def test_an_interrupted_job_begins_again_where_its_baselines_grew_too_old(
    office: Office,
) -> None:
    job = await interrupted_after_baselines(office)
    with office.store._database.writing() as connection:
        connection.execute(
            text("UPDATE captures SET taken_at = :then, sha256 = NULL"),
            {"then": (datetime.now(UTC) - timedelta(hours=2)).strftime("%Y-%m-%dT%H:%M:%S.%fZ")},
        )
    await run(office, job, JobState.FAILED)
    assert office.rig.log.count("measure") == 3
    said = [event.message for event in office.store.job_events(job.id)]
    expected = (
        "interrupted; begins again: open is 2 h 00 min old, the recipe allows 1 h 00 min; short is"
    )
    assert any(message.startswith(expected) for message in said), said


async def test_an_interrupted_job_begins_again_where_an_instrument_was_replaced(
    office: Office,
) -> None:
    job = await interrupted_after_baselines(office)
    office.rig.identity = "Workshop,Another"
    await run(office, job, JobState.FAILED)
    assert office.rig.log.count("measure") == 3
    said = " ".join(event.message for event in office.store.job_events(job.id))
    assert "open was taken with another generator (Workshop,Instrument)" in said


async def test_a_job_resolved_against_another_bench_file_is_checked_anew(office: Office) -> None:
    job = await office.desk.queue(RecipeSource(text=CAPTURE_THEN_REDUCE, file="one.yaml"), {})
    bench = office.desk._current.now
    analyzer = bench.instruments["analyzer"].model_copy(update={"largest_input_dbm": -60.0})
    office.queue._runner._current.now = bench.model_copy(
        update={"instruments": {**bench.instruments, "analyzer": analyzer}}
    )
    row = await run(office, job, JobState.FAILED)
    assert row.error is not None
    assert row.error["message"].startswith(
        "the bench file was changed after this job was queued: up to "
    )
    assert "dBm could reach analyzer, which takes -60.0 dBm at most" in row.message
    assert "measure" not in office.rig.log


@pytest.mark.parametrize(
    ("positions", "said"),
    [
        (
            {"open": {"switch": {"port": "antenna"}}},
            "middle/open is switched by switch ",
        ),
        ({"open": None}, "route middle has no position open any more"),
    ],
)
async def test_a_job_whose_positions_are_switched_otherwise_by_now_is_refused(
    office: Office, positions: dict[str, Any], said: str
) -> None:
    """The level budget looks at the route as it is now, the switch is set as the job has it."""
    job = await office.desk.queue(RecipeSource(text=CAPTURE_THEN_REDUCE, file="one.yaml"), {})
    bench = office.desk._current.now
    route = bench.routes["middle"]
    changed = {name: one for name, one in (route.positions | positions).items() if one is not None}
    route = route.model_copy(update={"positions": changed})
    office.queue._runner._current.now = bench.model_copy(
        update={"routes": {**bench.routes, "middle": route}}
    )
    row = await run(office, job, JobState.FAILED)
    assert row.error is not None
    assert row.error["message"].startswith(
        f"the bench file was changed after this job was queued: {said}"
    )
    assert not {"measure", "switch"} & set(office.rig.log)


async def test_a_job_for_an_analyzer_is_refused_where_a_power_meter_stands_by_now(
    office: Office,
) -> None:
    job = await office.desk.queue(RecipeSource(text=CAPTURE_THEN_REDUCE, file="one.yaml"), {})
    bench = office.desk._current.now
    analyzer = bench.instruments["analyzer"]
    shipped = load_bench(BENCHES / "power-meter.yaml").instruments["meter"]
    meter = shipped.model_copy(update={"address": analyzer.address})
    office.queue._runner._current.now = bench.model_copy(
        update={"instruments": {**bench.instruments, "analyzer": meter}}
    )
    row = await run(office, job, JobState.FAILED)
    assert "analyzer was an analyzer and is a power meter now" in row.message
    assert "measure" not in office.rig.log


async def test_a_job_goes_on_where_the_bench_file_changed_in_something_else(
    office: Office,
) -> None:
    job = await office.desk.queue(RecipeSource(text=CAPTURE_THEN_REDUCE, file="one.yaml"), {})
    office.queue._runner._current.now = office.desk._current.now.model_copy(
        update={"title": "Moved house"}
    )
    await run(office, job, JobState.FAILED)
    assert office.rig.log.count("measure") == 3


@pytest.mark.parametrize("moment", ["0001-01-01T00:00:00+14:00", "9999-12-31T23:00:00-14:00"])
async def test_a_window_outside_the_calendar_is_refused(office: Office, moment: str) -> None:
    with pytest.raises(OrderRefused, match="lies outside the years 1 to 9999 in UTC"):
        await office.text(not_before=datetime.fromisoformat(moment))
    with pytest.raises(OrderRefused, match="lies outside the years 1 to 9999 in UTC"):
        await office.text(finish_by=datetime.fromisoformat(moment))
