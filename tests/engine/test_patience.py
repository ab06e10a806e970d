"""A request that nobody answers does not block the night; a window binds a job under way."""

from __future__ import annotations

import asyncio
from contextlib import suppress
from datetime import UTC, datetime, timedelta

import pytest

from benchd.engine import rf_off_repeater
from benchd.errors import OrderRefused
from benchd.job_request import JobRequest, RecipeSource
from benchd.moments import time_words
from benchd.store import JobRow, JobState
from benchd.worksheet import HandsStep
from tests.engine.office import Office
from tests.engine.test_orders_kept import at_work, until_it_asks
from tests.patience import PATIENCE_S

RECIPE = """\
recipe: patient
title: Open by hand, short by hand, antenna by hand
sweeps:
  main: {{start: 1.6 GHz, stop: 1.8 GHz, points: 3, level: -10 dBm, resolution_bandwidth: 10 kHz}}
steps:
  - hands: {{ask: Fit the open.{keys}}}
  - capture: {{name: open, role: open, route: middle, position: open, sweep: main}}
  - wait: {{for: 0.01 s}}
  - hands: {{ask: Fit the antenna.}}
  - capture: {{name: antenna, role: test, route: middle, position: antenna, antenna: dipole r3,
      sweep: main}}
  - reduce: {{kind: reflection, test: antenna, baseline: {{open: open}}}}
  - accept: {{quantity: return_loss, at: 1.7 GHz, least: 10 dB, reduction: reflection}}
"""


async def patient(office: Office, keys: str = "", **more: object) -> JobRow:
    text = RECIPE.format(keys=f", {keys}" if keys else "")
    return await office.desk.queue(
        RecipeSource(text=text, file="patient.yaml"), {}, JobRequest(**more)
    )  # type: ignore[arg-type]


def shorter(office: Office, job: JobRow, seconds: float, monkeypatch: pytest.MonkeyPatch) -> None:
    """Shorten every request's patience below what a recipe may say, so that tests need not wait."""
    plain = office.store.worksheet

    def worksheet(job_id: str) -> object:
        found = plain(job_id)
        steps = tuple(
            step.model_copy(update={"patience_s": seconds}) if isinstance(step, HandsStep) else step
            for step in found.steps
        )
        return found.model_copy(update={"steps": steps}) if job_id == job.id else found

    monkeypatch.setattr(office.store, "worksheet", worksheet)


async def test_a_request_says_until_when_the_bench_is_held_for_it_and_what_then(
    office: Office,
) -> None:
    job = await patient(office)
    asked_after = datetime.now(UTC)
    async with at_work(office):
        row = await until_it_asks(office, job)
    assert row.hands is not None
    held = datetime.fromisoformat(row.hands["until"]) - asked_after
    assert timedelta(minutes=30) <= held <= timedelta(minutes=31)
    assert row.hands["then"] == "let-others-run"


async def test_waiting_jobs_run_once_the_patience_ends_and_then_it_asks_again(
    office: Office, monkeypatch: pytest.MonkeyPatch
) -> None:
    job = await patient(office)
    shorter(office, job, 0.2, monkeypatch)
    async with at_work(office):
        await until_it_asks(office, job)
        other = await office.text()
        await office.until(other.id, JobState.DONE)
        row = await until_it_asks(office, job, "Other jobs")
        assert row.message == (
            "Other jobs have run since you were asked: see what is fitted. Fit the open."
        )
    said = [event.message for event in office.store.job_events(job.id)]
    taken_back = [text for text in said if text.startswith("nobody answered within 0.2 s")]
    assert taken_back[0] == (
        "nobody answered within 0.2 s, so waiting jobs run first and RF may come on: keep your "
        "hands out of the box until it asks again: Fit the open."
    )
    assert "measure" not in office.rig.log


async def test_an_answer_to_a_request_that_was_taken_back_is_refused(
    office: Office, monkeypatch: pytest.MonkeyPatch
) -> None:
    job = await patient(office)
    shorter(office, job, 0.1, monkeypatch)
    async with at_work(office):
        await until_it_asks(office, job)
        long = await office.text(seconds=300)
        await office.until(long.id, JobState.RUNNING)
        with pytest.raises(OrderRefused) as refusal:
            await office.desk.ready(job.id, 0)
        assert str(refusal.value) == (
            f"job {job.id} is waiting and asks for nothing now. "
            "Its request was taken back and RF may be on. It asks again by itself."
        )


async def test_a_request_is_made_anew_where_nobody_else_needs_the_bench(
    office: Office, monkeypatch: pytest.MonkeyPatch
) -> None:
    job = await patient(office)
    shorter(office, job, 0.1, monkeypatch)
    async with at_work(office):
        first = await until_it_asks(office, job)
        async with asyncio.timeout(PATIENCE_S):
            while (again := await office.desk.job(job.id)).hands == first.hands:
                await asyncio.sleep(0.005)
    assert first.hands is not None
    assert again.hands is not None
    assert again.hands["until"] > first.hands["until"]
    assert {event.state for event in office.store.job_events(job.id)} == {
        JobState.WAITING, JobState.RUNNING, JobState.NEEDS_HANDS,
    }  # fmt: skip


async def test_two_jobs_that_nobody_answers_take_turns_and_let_a_third_through(
    office: Office, monkeypatch: pytest.MonkeyPatch
) -> None:
    first, second = await patient(office), await patient(office)
    plain = office.store.worksheet

    def worksheet(job_id: str) -> object:
        found = plain(job_id)
        steps = tuple(
            step.model_copy(update={"patience_s": 0.1}) if isinstance(step, HandsStep) else step
            for step in found.steps
        )
        return found.model_copy(update={"steps": steps})

    monkeypatch.setattr(office.store, "worksheet", worksheet)
    async with at_work(office):
        await until_it_asks(office, first)
        await until_it_asks(office, second)
        third = await office.text()
        await office.until(third.id, JobState.DONE)
        await until_it_asks(office, first)
        await until_it_asks(office, second)


async def test_a_job_gives_up_where_its_recipe_says_so(
    office: Office, monkeypatch: pytest.MonkeyPatch
) -> None:
    job = await patient(office, "patience: 1 s, then: give-up")
    async with at_work(office):
        row = await office.until(job.id, JobState.FAILED)
    assert row.error is not None
    assert row.error["family"] == "no-answer"
    assert row.message == (
        "step 1: nobody answered within 1.0 s: Fit the open. "
        "Its captures are kept. Queue it again when somebody is there."
    )
    assert "measure" not in office.rig.log
    assert office.rig.log[-1] == "rf off"


async def test_what_follows_a_skipped_request_is_left_out_and_cannot_pass(
    office: Office,
) -> None:
    job = await patient(office, "patience: 1 s, then: skip")
    async with at_work(office):
        async with asyncio.timeout(PATIENCE_S):
            while "antenna" not in (await until_it_asks(office, job)).message:
                await asyncio.sleep(0.005)
        assert "measure" not in office.rig.log, "the open was not fitted, so it was not measured"
        await office.desk.ready(job.id)
        row = await office.until(job.id, JobState.DONE)
    assert [capture.step for capture in office.store.captures(job_id=job.id)] == ["antenna"]
    assert row.message == (
        "done, but nobody answered in time, so these were left out: step 1 (hands: Fit the open.); "
        "step 2 (capture open on middle/open); step 3 (wait 10 ms); step 6 (reduce reflection)"
    )
    verdicts = office.store.verdicts(job.id)
    assert [(one.quantity, one.outcome) for one in verdicts] == [("return_loss", "absent")]


async def test_an_answer_in_the_last_moment_counts(
    office: Office, monkeypatch: pytest.MonkeyPatch
) -> None:
    """It is written down just before the request would have been taken back."""
    job = await patient(office)
    await office.text(seconds=300)
    shorter(office, job, 0.1, monkeypatch)
    plain, answered = office.store.set_state, [False]

    def late(job_id: str, state: JobState, **more: object) -> JobRow:
        if state is JobState.WAITING and more.get("put_back") and not answered[0]:
            answered[0] = True
            office.store.answer_hands(job_id, 0)
        return plain(job_id, state, **more)  # type: ignore[arg-type]

    monkeypatch.setattr(office.store, "set_state", late)
    async with at_work(office):
        await until_it_asks(office, job, "antenna")
    assert office.rig.log.count("measure") == 1


async def test_a_request_ends_with_the_window_of_its_job(office: Office) -> None:
    closes = datetime.now(UTC) + timedelta(seconds=6)
    job = await patient(office, finish_by=closes)
    async with at_work(office):
        await until_it_asks(office, job)
        row = await office.until(job.id, JobState.MISSED)
        other = await office.text()
        await office.until(other.id, JobState.DONE)
    assert row.ended_at is not None
    assert row.ended_at >= closes
    assert row.error is not None
    assert row.error["family"] == "window-closed"
    assert row.message == (
        f"the window closed at {time_words(closes)} and the job was at step 1 of "
        "7 (hands: Fit the open.); RF is off"
    )


async def test_a_wait_ends_with_the_window_of_its_job(office: Office) -> None:
    """A job that takes longer than was expected of it."""
    job = await office.text(seconds=300, finish_by=datetime.now(UTC) + timedelta(hours=1))
    async with at_work(office):
        await office.until(job.id, JobState.RUNNING)
        office.queue._runner._halt.close_window()
        row = await office.until(job.id, JobState.MISSED)
    assert office.rig.log[-1] == "rf off"
    assert row.message.endswith("step 1 of 1 (wait 5 min); RF is off")


async def test_a_job_whose_window_closes_says_where_rf_could_not_be_verified_off(
    office: Office, monkeypatch: pytest.MonkeyPatch
) -> None:
    job = await patient(office, finish_by=datetime.now(UTC) + timedelta(hours=1))
    monkeypatch.setattr(rf_off_repeater, "RETRY_S", 0.01)
    async with at_work(office):
        await until_it_asks(office, job)
        office.rig.lost = office.rig.rf_offs + 1
        office.queue._runner._halt.close_window()
        row = await office.until(job.id, JobState.MISSED)
    assert row.message.endswith("; RF is NOT verified off")


async def test_an_interrupted_job_does_not_begin_again_after_its_window(office: Office) -> None:
    job = await office.text(finish_by=datetime.now(UTC) + timedelta(seconds=5))
    office.store.set_state(job.id, JobState.RUNNING)
    assert job.finish_by is not None
    while datetime.now(UTC) <= job.finish_by:
        await asyncio.sleep(0.05)
    async with at_work(office):
        row = await office.until(job.id, JobState.MISSED)
    assert row.interruptions == 1


@pytest.mark.parametrize(
    ("on_interrupt", "state", "measured", "words"),
    [
        ("resume", JobState.DONE, 1, "Other jobs have run since you were asked"),
        ("restart", JobState.DONE, 2, "begins again, since other jobs have run"),
        ("fail", JobState.FAILED, 1, "nobody answered at step 2, and other jobs have run since"),
    ],
)
async def test_a_job_that_let_others_run_goes_on_as_after_an_interruption(
    office: Office,
    monkeypatch: pytest.MonkeyPatch,
    on_interrupt: str,
    state: JobState,
    measured: int,
    words: str,
) -> None:
    text = f"""\
recipe: two
title: A sweep, then something by hand
on_interrupt: {on_interrupt}
sweeps:
  main: {{start: 1.6 GHz, stop: 1.8 GHz, points: 3, level: -10 dBm, resolution_bandwidth: 10 kHz}}
steps:
  - capture: {{role: open, route: middle, position: open, sweep: main}}
  - hands: {{ask: Fit the antenna.}}
"""
    job = await office.desk.queue(RecipeSource(text=text, file="two.yaml"), {})
    shorter(office, job, 0.2, monkeypatch)
    async with at_work(office):
        await until_it_asks(office, job)
        other = await office.text()
        await office.until(other.id, JobState.DONE)
        if state is JobState.DONE:
            await until_it_asks(office, job, "Other jobs")
            async with asyncio.timeout(PATIENCE_S):
                while (await office.desk.job(job.id)).state is not JobState.DONE:
                    with suppress(OrderRefused):
                        await office.desk.ready(job.id)
                    await asyncio.sleep(0.005)
        await office.until(job.id, state)
    assert office.rig.log.count("measure") == measured
    assert any(event.message.startswith(words) for event in office.store.job_events(job.id))
