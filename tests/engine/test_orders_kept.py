"""Orders that were answered hold, whatever happens to the daemon in the moment after."""

from __future__ import annotations

import asyncio
from collections.abc import AsyncIterator
from contextlib import asynccontextmanager, suppress
from datetime import UTC, datetime, timedelta
from typing import Any

import pytest

from benchd.errors import OrderRefused
from benchd.job_request import RecipeSource
from benchd.store import JobRow, JobState, Store, StoreFull, WrongState
from tests.engine.office import Office
from tests.patience import PATIENCE_S

HANDS = """\
recipe: by-hand
title: One thing to do, then a sweep
on_interrupt: {on_interrupt}
sweeps:
  main: {{start: 1.6 GHz, stop: 1.8 GHz, points: 3, level: -10 dBm, resolution_bandwidth: 10 kHz}}
steps:
  - hands: {{ask: Fit the antenna.}}
  - wait: {{for: {seconds} s}}
  - capture: {{role: test, route: middle, position: antenna, antenna: dipole r3, sweep: main}}
"""


async def by_hand(office: Office, on_interrupt: str = "resume", seconds: float = 0.01) -> JobRow:
    text = HANDS.format(on_interrupt=on_interrupt, seconds=seconds)
    return await office.desk.queue(RecipeSource(text=text, file="by-hand.yaml"), {})


@asynccontextmanager
async def at_work(office: Office) -> AsyncIterator[None]:
    """The queue works inside; leaving it is what SIGTERM does."""
    task = asyncio.create_task(office.queue.run())
    try:
        yield
    finally:
        task.cancel()
        with suppress(asyncio.CancelledError):
            await task


async def until_it_asks(office: Office, job: JobRow, words: str = "") -> JobRow:
    async with asyncio.timeout(PATIENCE_S):
        while words not in (row := await office.until(job.id, JobState.NEEDS_HANDS)).message:
            await asyncio.sleep(0.005)
    return row


async def test_a_withdrawn_job_stays_so_where_the_daemon_stops_at_once(office: Office) -> None:
    job = await office.text(seconds=300)
    async with at_work(office):
        await office.until(job.id, JobState.RUNNING)
        answer = await office.desk.withdraw(job.id)
        # Nothing of the runner has run since: this is what a kill would find.
        kept = office.store.job(job.id)
    assert answer.withdraw_ordered_at is not None
    assert kept.withdraw_ordered_at == answer.withdraw_ordered_at
    async with at_work(office):
        row = await office.until(job.id, JobState.WITHDRAWN)
    assert row.message == "withdrawn by order"


async def test_the_next_start_ends_a_job_whose_withdrawal_was_written_down(
    office: Office,
) -> None:
    """As kill -9 leaves it: running, with the order beside it."""
    job = await by_hand(office)
    for order in (JobState.RUNNING, JobState.NEEDS_HANDS):
        office.store.set_state(job.id, order)
    office.store.order_withdrawal(job.id)
    async with at_work(office):
        row = await office.until(job.id, JobState.WITHDRAWN)
    assert (row.started_at is not None, row.ended_at is not None) == (True, True)
    assert "measure" not in office.rig.log


@pytest.mark.parametrize("state", [JobState.DONE, JobState.FAILED, JobState.MISSED,
                                   JobState.WAITING, JobState.WITHDRAWN])  # fmt: skip
def test_after_the_order_a_job_can_only_end_withdrawn(office_store: Store, state: JobState) -> None:
    from tests.store import examples

    job = office_store.add_job(examples.worksheet())
    office_store.set_state(job.id, JobState.RUNNING)
    office_store.order_withdrawal(job.id)
    row = office_store.set_state(job.id, state, message="something else")
    assert (row.state, row.message) == (JobState.WITHDRAWN, "withdrawn by order")
    with pytest.raises(WrongState):
        office_store.order_withdrawal(job.id)


@pytest.fixture
def office_store(office: Office) -> Store:
    return office.store


async def test_a_second_withdrawal_changes_nothing_while_the_job_is_being_stopped(
    office: Office,
) -> None:
    job = await office.text()
    office.store.set_state(job.id, JobState.RUNNING)
    first = office.store.order_withdrawal(job.id)
    assert office.store.order_withdrawal(job.id) == first


async def test_two_withdrawals_at_once_are_both_obeyed(office: Office) -> None:
    job = await office.text(seconds=300)
    async with at_work(office):
        await office.until(job.id, JobState.RUNNING)
        answers = await asyncio.gather(
            office.desk.withdraw(job.id), office.desk.withdraw(job.id), return_exceptions=True
        )
        await office.until(job.id, JobState.WITHDRAWN)
    # The second may come when the first has already ended the job.
    assert not isinstance(answers[0], BaseException)
    assert isinstance(answers[1], JobRow | WrongState)


async def test_rf_goes_off_at_once_where_the_order_cannot_be_written_down(
    office: Office, monkeypatch: pytest.MonkeyPatch
) -> None:
    job = await office.text(seconds=300)
    async with at_work(office):
        await office.until(job.id, JobState.RUNNING)
        before = office.rig.rf_offs

        def full(job_id: str) -> JobRow:
            raise StoreFull("the disk is full")

        monkeypatch.setattr(office.store, "order_withdrawal", full)
        with pytest.raises(StoreFull):
            await office.desk.withdraw(job.id)
        await office.until(job.id, JobState.WITHDRAWN)
    assert office.rig.rf_offs > before


async def test_an_order_whose_sender_has_gone_is_carried_out(office: Office) -> None:
    """The connection breaks while the order is being written down."""
    job = await office.text(seconds=300)
    async with at_work(office):
        await office.until(job.id, JobState.RUNNING)
        order = asyncio.create_task(office.desk.withdraw(job.id))
        await asyncio.sleep(0)
        order.cancel()
        await office.until(job.id, JobState.WITHDRAWN)


async def test_an_answer_whose_sender_has_gone_counts(office: Office) -> None:
    job = await by_hand(office)
    async with at_work(office):
        await until_it_asks(office, job)
        plain, started = office.store.answer_hands, asyncio.Event()
        loop = asyncio.get_running_loop()

        def slowly(*what: Any, **how: Any) -> JobRow:
            loop.call_soon_threadsafe(started.set)
            return plain(*what, **how)

        office.store.answer_hands = slowly  # type: ignore[method-assign]
        order = asyncio.create_task(office.desk.ready(job.id))
        await started.wait()
        order.cancel()
        await office.until(job.id, JobState.DONE)


async def test_an_answer_is_written_down_before_it_is_answered(office: Office) -> None:
    job = await by_hand(office)
    async with at_work(office):
        await until_it_asks(office, job)
        answer = await office.desk.ready(job.id, 0)
    assert (answer.state, answer.message, answer.hands) == (JobState.RUNNING, "ready", None)
    said = [event.message for event in office.store.job_events(job.id)]
    assert "ready" in said


async def test_the_second_of_two_answers_is_refused_without_a_step_too(office: Office) -> None:
    job = await by_hand(office, seconds=300)
    async with at_work(office):
        await until_it_asks(office, job)
        await office.desk.ready(job.id)
        with pytest.raises(OrderRefused, match="is running and asks for nothing now"):
            await office.desk.ready(job.id)


async def test_an_answered_job_that_was_interrupted_asks_again_before_rf_comes_on(
    office: Office,
) -> None:
    """Nobody knows where hands are after an interruption."""
    job = await by_hand(office)
    office.store.set_state(job.id, JobState.RUNNING, step_index=2)
    async with at_work(office):
        row = await until_it_asks(office, job)
        assert row.message == (
            "benchd was interrupted and goes on at step 3. Make sure that this still holds and "
            "that no hands are in the box: Fit the antenna."
        )
        assert row.hands is not None
        assert (row.step_index, row.hands["step"]) == (2, 0)
        assert "measure" not in office.rig.log
        await office.desk.ready(job.id, 0)
        await office.until(job.id, JobState.DONE)
    assert office.rig.log.count("measure") == 1


async def test_a_job_interrupted_while_it_asked_asks_the_same_again(office: Office) -> None:
    job = await by_hand(office)
    async with at_work(office):
        await until_it_asks(office, job)
    async with at_work(office):
        async with asyncio.timeout(PATIENCE_S):
            while (await office.desk.job(job.id)).interruptions == 0:
                await asyncio.sleep(0.005)
        await until_it_asks(office, job, "Fit the antenna.")
        await office.desk.ready(job.id)
        await office.until(job.id, JobState.DONE)


async def test_an_order_to_withdraw_wins_over_the_end_of_the_job(
    office: Office, monkeypatch: pytest.MonkeyPatch
) -> None:
    """The order is written down between the job's last step and its end."""
    job = await office.text()
    plain = office.store.set_state

    def late(job_id: str, state: JobState, **more: Any) -> JobRow:
        if state is JobState.DONE:
            office.store.order_withdrawal(job_id)
        return plain(job_id, state, **more)

    monkeypatch.setattr(office.store, "set_state", late)
    async with at_work(office):
        await office.until(job.id, JobState.WITHDRAWN)


async def test_an_order_to_withdraw_wins_over_the_end_of_the_window(office: Office) -> None:
    job = await office.text(seconds=300, finish_by=datetime.now(UTC) + timedelta(hours=1))
    async with at_work(office):
        await office.until(job.id, JobState.RUNNING)
        await office.desk.withdraw(job.id)
        office.queue._runner._halt.close_window()
        row = await office.until(job.id, JobState.WITHDRAWN)
    assert row.message == "withdrawn by order"
