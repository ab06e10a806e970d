"""A trim session in queue and desk, with a rig whose antenna can be filed."""

from __future__ import annotations

import asyncio
from dataclasses import dataclass, field, replace
from datetime import UTC, datetime
from typing import Any

import numpy as np
import pytest

from benchd.acquire import Sweep
from benchd.acquire.lid_check import LidOpened
from benchd.engine.lid_starts import LidStart, started_by_lid
from benchd.errors import LinkLost, OrderRefused
from benchd.recipe.trim_session import TrimRequest
from benchd.store import JobRow, JobState
from tests.engine.office import Office
from tests.engine.test_orders_kept import at_work
from tests.patience import PATIENCE_S

GRID_HZ = np.linspace(1.45e9, 1.95e9, 101)


@dataclass
class Filed:
    """What the rig measures: open and short flat, the antenna a series circuit that can be filed.

    lid_opens: so many looks are broken off by the lid.
    """

    office: Office
    resonance_hz: float = 1.65e9
    lid_opens: int = 0
    looks: int = 0

    def measure(self, procedure: Any, names: list[str], on_progress: Any, **more: Any) -> Sweep:
        self.office.rig.log.append("measure")
        standing = self.office.rig.log[-2]
        if "204" not in standing:
            return Sweep(GRID_HZ, np.full(GRID_HZ.shape, -26.0))
        if self.lid_opens:
            self.lid_opens -= 1
            raise LidOpened("the lid of the box is open", where="lid")
        self.looks += 1
        x = 10.0 * (GRID_HZ / self.resonance_hz - self.resonance_hz / GRID_HZ) / 2.0
        impedance = 70.0 * (1.0 + 1j * x)
        gamma = (impedance - 50.0) / (impedance + 50.0)
        return Sweep(GRID_HZ, -26.0 + 20.0 * np.log10(np.abs(gamma)))

    def switch(self, settings: Any) -> None:
        self.office.rig.log.append(f"switch {[one.channels for one in settings]}")


@pytest.fixture
async def filed(office: Office) -> Filed:
    made = Filed(office)
    office.rig.measure = made.measure  # type: ignore[method-assign]
    office.rig.switch = made.switch  # type: ignore[method-assign]
    return made


async def asks(office: Office, job: JobRow, step: int) -> JobRow:
    async with asyncio.timeout(PATIENCE_S):
        while True:
            row = await office.desk.job(job.id)
            is_asked = row.state is JobState.NEEDS_HANDS and (row.hands or {})["step"] == step
            if is_asked and office.desk._runner.job_id == job.id:
                return row
            assert not row.has_ended, row
            await asyncio.sleep(0.005)


async def first_look(office: Office, **wanted: Any) -> JobRow:
    """A session that has its baselines and has asked for the first look."""
    job = await office.desk.begin_trim(TrimRequest("dipole r3", looks=3, **wanted))
    await asks(office, job, 0)
    await office.desk.ready(job.id, 0)
    return await asks(office, job, 3)


async def test_an_answer_that_comes_late_or_twice_starts_no_look(
    office: Office, filed: Filed
) -> None:
    filed.lid_opens = 1
    async with at_work(office):
        job = await first_look(office)
        with pytest.raises(OrderRefused, match="an answer names the step that it answers"):
            await office.desk.ready(job.id)
        said = (job.hands or {})["until"]
        await office.desk.ready(job.id, 3, until=said)
        # The look was broken off, and is asked for again in the same step.
        async with asyncio.timeout(PATIENCE_S):
            while not (row := await asks(office, job, 3)).message.startswith("The look was broken"):
                await asyncio.sleep(0.005)
        with pytest.raises(OrderRefused, match="the request that this answers stands no more"):
            await office.desk.ready(job.id, 3, until=said)
        assert filed.looks == 0
        await office.desk.ready(job.id, 3, until=(row.hands or {})["until"])
        await asks(office, job, 6)
        assert filed.looks == 1
        await office.desk.stop(job.id)
        await office.until(job.id, JobState.DONE)


async def test_looks_carry_what_was_taken_off_and_the_session_ends_by_itself(
    office: Office, filed: Filed
) -> None:
    async with at_work(office):
        job = await first_look(office)
        for step, removed_m in ((3, None), (6, 0.4e-3), (9, 0.2e-3)):
            row = await asks(office, job, step)
            assert office.rig.log[-1] == "rf off"
            assert row.hands is not None
            assert row.hands["look"] == "button"
            await office.desk.ready(job.id, step, removed_m=removed_m)
            filed.resonance_hz += 16e6
        done = await office.until(job.id, JobState.DONE)
    assert done.message == "done"
    document = await office.desk.trim.document(job.id)
    assert [look["removed_m"] for look in document["looks"]] == [None, 0.4e-3, 0.2e-3]
    assert document["looks_most"] == 3
    resonances = [look["results"]["resonance_frequency"]["value"] for look in document["looks"]]
    assert np.diff(resonances) == pytest.approx([16e6, 16e6], abs=1e6)
    last = document["looks"][-1]["results"]
    assert last["resonance_frequency_difference"]["value"] == pytest.approx(32e6, abs=1.5e6)
    # 32 MHz for 0.6 mm: what is left is surer than by the law, and the shift surer than a dip.
    assert "by this antenna's own looks" in last["trim_rate"]["note"]
    sure = last["resonance_frequency"]["expanded_uncertainty"]
    assert last["resonance_frequency_difference"]["expanded_uncertainty"] < sure
    assert last["removed_length"]["value"] == 0.2e-3
    # The story stands with the antenna, as every result does.
    stored = await office.desk.results(antenna="dipole r3", quantity="removed_length")
    assert sorted(one.result.value for one in stored) == [0.2e-3, 0.4e-3]
    (revision,) = (await office.desk.past.story("dipole r3")).revisions
    (told,) = revision.sessions
    assert (told.job, told.looks, told.all_typed) == (job.id, 3, True)
    assert told.removed_m == pytest.approx(0.6e-3)
    assert [one.value for one in told.resonances] == resonances
    assert told.left is not None
    assert told.left.value == last["trim_per_arm"]["value"]
    # Reduced again, it says the same.
    again = [one.result.value for one in await office.desk.reduce(job.id)]
    assert again == [one.result.value for one in await _stored(office, job)]


async def _stored(office: Office, job: JobRow) -> list[Any]:
    """Results in the order in which they were reduced."""
    return sorted(await office.desk.results(job_id=job.id), key=lambda one: one.id)


async def test_a_length_typed_wrongly_is_corrected_after_its_look(
    office: Office, filed: Filed
) -> None:
    async with at_work(office):
        job = await first_look(office)
        await office.desk.ready(job.id, 3)
        await asks(office, job, 6)
        filed.resonance_hz += 16e6
        await office.desk.ready(job.id, 6, removed_m=4e-3)
        await asks(office, job, 9)
        before = (await office.desk.trim.document(job.id))["looks"][-1]
        assert "removed-length-doubtful" in before["results"]["trim_per_arm"]["flags"]
        for number, removed_m, why in (
            (1, 0.4e-3, "no look 1"), (3, 0.4e-3, "no look 3"), (2, -1.0, "cannot have been"),
        ):  # fmt: skip
            with pytest.raises(OrderRefused, match=why):
                await office.desk.trim.correct_removed(job.id, number, removed_m)
        await office.desk.trim.correct_removed(job.id, 2, 0.3e-3)
        row = await office.desk.trim.correct_removed(job.id, 2, 0.4e-3)
        # The request stands as it did, and nothing was switched on.
        assert (row.state, (row.hands or {})["step"]) == (JobState.NEEDS_HANDS, 9)
        assert (filed.looks, office.rig.log[-1]) == (2, "rf off")
        after = (await office.desk.trim.document(job.id))["looks"][-1]
        assert (after["removed_m"], after["earlier_removed_m"]) == (0.4e-3, [4e-3, 0.3e-3])
        results = after["results"]
        assert results["removed_length"]["value"] == 0.4e-3
        assert "by this antenna's own looks" in results["trim_rate"]["note"]
        assert "removed-length-doubtful" not in results["trim_per_arm"]["flags"]
        told = [event.message for event in office.store.job_events(job.id)]
        assert "look 2: 0.3 mm taken off each arm, not 4 mm" in told
        # Where another job has measured it since, these looks must not pass for the newest.
        stored_now = office.store.results(job_id=job.id)
        other = office.store.add_job(office.store.worksheet(job.id))
        later = replace(
            stored_now[0], id="res-later", job_id=other.id, reduced_at=datetime.now(UTC)
        )
        office.store.commit_results(other.id, "x", [later], step_index_after=None)
        with pytest.raises(OrderRefused, match=f"{other.id} has measured dipole r3 since"):
            await office.desk.trim.correct_removed(job.id, 2, 0.5e-3)
        office.store.order_withdrawal(other.id)
        # Reducing again stores nothing, so it cannot either.
        await office.desk.reduce(job.id)
        assert office.store.results(job_id=job.id) == stored_now
        # The next answer keeps it, and the next look counts with it; so does reducing again.
        await office.desk.ready(job.id, 9, removed_m=0.1e-3)
        await office.until(job.id, JobState.DONE)
        looks = (await office.desk.trim.document(job.id))["looks"]
        assert [look["removed_m"] for look in looks] == [None, 0.4e-3, 0.1e-3]
        with pytest.raises(OrderRefused, match="no length of it can be corrected"):
            await office.desk.trim.correct_removed(job.id, 2, 0.5e-3)
    (revision,) = (await office.desk.past.story("dipole r3")).revisions
    assert revision.sessions[0].removed_m == pytest.approx(0.5e-3)
    again = {one.id: one.result.value for one in await office.desk.reduce(job.id)}
    stored = {one.id: one.result.value for one in await office.desk.results(job_id=job.id)}
    assert again.items() <= stored.items()


async def test_stop_ends_it_as_done_and_keeps_its_looks(office: Office, filed: Filed) -> None:
    async with at_work(office):
        job = await first_look(office)
        await office.desk.ready(job.id, 3)
        await asks(office, job, 6)
        await office.desk.stop(job.id)
        done = await office.until(job.id, JobState.DONE)
        assert done.message == "stopped by order; its looks are kept"
        assert office.rig.log[-1] == "rf off"
        with pytest.raises(OrderRefused, match="cannot be stopped"):
            await office.desk.stop(job.id)
    assert len((await office.desk.trim.document(job.id))["looks"]) == 1


async def test_a_stop_that_was_stored_holds_over_the_end_of_the_daemon(
    office: Office, filed: Filed
) -> None:
    async with at_work(office):
        job = await first_look(office)
    office.store.order_stop(job.id)
    async with at_work(office):
        assert (await office.until(job.id, JobState.DONE)).message.startswith("stopped by order")
    assert filed.looks == 0


async def test_a_length_that_was_answered_is_kept_when_the_look_is_asked_for_again(
    office: Office, filed: Filed
) -> None:
    async with at_work(office):
        job = await first_look(office)
        await office.desk.ready(job.id, 3)
        await asks(office, job, 6)
        # The lid is opened in the look: RF goes off, the same look is asked for again.
        filed.lid_opens = 1
        await office.desk.ready(job.id, 6, removed_m=0.3e-3)
        async with asyncio.timeout(PATIENCE_S):
            while not (row := await office.desk.job(job.id)).message.startswith("The look was"):
                await asyncio.sleep(0.005)
        assert "the lid of the box is open" in row.message
        assert row.state is JobState.NEEDS_HANDS
        assert office.rig.log[-1] == "rf off"
        assert (await office.desk.trim.document(job.id))["noted_removed_m"] == 0.3e-3
    # The daemon ends here and comes again: still asked, still noted.
    async with at_work(office):
        await asks(office, job, 6)
        await office.desk.ready(job.id, 6)
        await asks(office, job, 9)
    looks = (await office.desk.trim.document(job.id))["looks"]
    assert [look["removed_m"] for look in looks] == [None, 0.3e-3]


async def test_a_length_may_be_noted_before_the_look_and_corrected(
    office: Office, filed: Filed
) -> None:
    async with at_work(office):
        job = await first_look(office)
        await office.desk.ready(job.id, 3)
        await asks(office, job, 6)
        await office.desk.trim.note_removed(job.id, 5e-3)
        await office.desk.trim.note_removed(job.id, 0.5e-3)
        assert filed.looks == 1
        await office.desk.ready(job.id, 6)
        await asks(office, job, 9)
    looks = (await office.desk.trim.document(job.id))["looks"]
    assert looks[-1]["removed_m"] == 0.5e-3


async def test_lengths_and_stop_are_refused_where_they_mean_nothing(
    office: Office, filed: Filed
) -> None:
    async with at_work(office):
        job = await office.desk.begin_trim(TrimRequest("dipole r3", looks=2))
        await asks(office, job, 0)
        with pytest.raises(OrderRefused, match="asks for no look"):
            await office.desk.ready(job.id, 0, removed_m=1e-3)
        with pytest.raises(OrderRefused, match="asks for no look"):
            await office.desk.trim.note_removed(job.id, 1e-3)
        await office.desk.ready(job.id, 0)
        await asks(office, job, 3)
        for length_m in (-1e-3, 1.5):
            with pytest.raises(OrderRefused, match="expected 0 to 1000 mm"):
                await office.desk.ready(job.id, 3, removed_m=length_m)
        await office.desk.withdraw(job.id)
        await office.until(job.id, JobState.WITHDRAWN)
        other = await office.text()
        with pytest.raises(OrderRefused, match="no trim session"):
            await office.desk.stop(other.id)


async def test_the_next_session_uses_the_stored_baselines(office: Office, filed: Filed) -> None:
    async with at_work(office):
        job = await first_look(office)
        await office.desk.ready(job.id, 3)
        await asks(office, job, 6)
        await office.desk.stop(job.id)
        await office.until(job.id, JobState.DONE)
        second = await office.desk.begin_trim(TrimRequest("dipole r3", looks=2))
        row = await asks(office, second, 0)
        assert row.message.startswith("Look 1 of 2 at the dipole r3.")
        await office.desk.ready(second.id, 0)
        await asks(office, second, 3)
    looks = (await office.desk.trim.document(second.id))["looks"]
    assert looks[0]["results"]["resonance_frequency"]["value"] == pytest.approx(1.65e9, abs=2e6)


async def test_what_a_session_cannot_be_begun_with_is_refused(office: Office) -> None:
    for wanted, message in (
        (TrimRequest("dipole r9"), 'no antenna "dipole r9"'),
        (TrimRequest("dipole r3", route="range"), 'no reflection route "range"'),
        (TrimRequest("dipole r3", position="attic"), 'no position "attic"'),
        (TrimRequest("dipole r3", level_text="60 dBm"), "level"),
    ):
        with pytest.raises(Exception, match=message):
            await office.desk.check_trim(wanted)


async def test_one_look_takes_less_than_two_seconds_by_its_worksheet(office: Office) -> None:
    worksheet = await office.desk.check_trim(TrimRequest("dipole r3", looks=2))
    looks = [step for step in worksheet.steps if step.label.startswith("capture look")]
    assert len(looks) == 2
    assert all(step.expected_s < 1.5 for step in looks)


# --- the lid starts a look --------------------------------------------------------------------


def test_a_lid_that_was_opened_and_stays_closed_starts_a_look() -> None:
    lid = LidStart(steady_s=1.0)
    said = [(False, 0.0), (False, 5.0), (True, 6.0), (False, 7.0), (False, 7.9)]
    assert [lid.said(*one) for one in said] == [False] * 5
    assert lid.said(False, 8.0)


def test_a_lid_that_bounces_or_does_not_answer_begins_the_count_again() -> None:
    lid = LidStart(steady_s=1.0)
    said = [(True, 0.0), (False, 0.5), (True, 1.4), (False, 1.5), (None, 2.0), (False, 2.4)]
    assert not any(lid.said(*one) for one in said)
    assert not lid.said(False, 3.3)
    assert lid.said(False, 3.4)


async def test_the_watch_on_the_lid_ends_with_the_request() -> None:
    """A silent contact starts nothing, and the end of the request ends the question at once."""
    asked: list[bool] = []
    started: list[bool] = []

    async def is_open(given_up: Any) -> bool:
        asked.append(True)
        while not given_up():
            await asyncio.sleep(0.001)
        raise LinkLost("does not answer", where="lid")

    async def start() -> None:
        started.append(True)

    async with asyncio.timeout(PATIENCE_S), started_by_lid(is_open, start):
        while not asked:
            await asyncio.sleep(0.001)
    assert not started


@dataclass
class Contact:
    """A lid's contact with a script: open once, then closed."""

    says: list[bool] = field(default_factory=lambda: [True])

    def lid_is_open(self, given_up: Any) -> bool:
        return self.says.pop(0) if self.says else False


async def test_closing_the_lid_answers_only_a_session_that_was_begun_so(
    office: Office, filed: Filed
) -> None:
    contact = Contact()
    office.rig.lid_is_open = contact.lid_is_open  # type: ignore[attr-defined]
    async with at_work(office):
        job = await first_look(office, start="lid")
        await asks(office, job, 6)  # nobody pressed anything
    assert filed.looks == 1
    worksheet = await office.desk.worksheet(job.id)
    assert {step.look for step in worksheet.steps if step.kind == "hands"} == {None, "lid"}
