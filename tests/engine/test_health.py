"""What `health` tells, and what somebody is woken for."""

from __future__ import annotations

import asyncio
import shutil
import threading
from collections.abc import AsyncIterator
from contextlib import suppress
from dataclasses import dataclass, field
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

import pytest

from benchd.engine import health
from benchd.engine.hang_detector import HANGS_AFTER_TICKS, HangDetector, Pulse
from benchd.engine.health import HealthReport
from benchd.engine.instrumentstate import InstrumentState
from benchd.engine.rfwatch import RfWatch
from benchd.job_request import JobRequest
from benchd.store import JobState, Store, StoreFull
from tests.store import examples

BASE = {"version": "1", "bench": "workshop", "running": None, "lost": [], "store": ""}


@dataclass
class Ward:
    """Vitals of a bench that is well, until a test makes it ill."""

    store: Store
    rf: RfWatch
    monitor: HangDetector
    vitals: HealthReport
    broker: dict[str, Any] = field(
        default_factory=lambda: {"connected": True, "address": "", "message": "", "delivered": 0}
    )

    async def look(self, **base: Any) -> dict[str, Any]:
        state = InstrumentState(
            "generator", "source", "x", "y", "z", "ready", "", datetime.now(UTC)
        )
        return await self.vitals.document({**BASE, **base}, [state])


@pytest.fixture
async def ward(tmp_path: Path) -> AsyncIterator[Ward]:
    store = await asyncio.to_thread(Store.open, tmp_path / "benchd.sqlite")
    rf, monitor = RfWatch(), HangDetector(Pulse())
    rf.off_verified(["generator"])
    made: list[Ward] = []
    found = HealthReport(
        bench="workshop", store=store, data=tmp_path, rf=rf, monitor=monitor,
        broker=lambda: made[0].broker,
    )  # fmt: skip
    made.append(Ward(store, rf, monitor, found))
    yield made[0]
    with suppress(Exception):
        await asyncio.to_thread(store.close)


async def test_nobody_is_woken_while_all_is_well(ward: Ward) -> None:
    found = await ward.look()
    assert (found["status"], found["wake"], found["notes"]) == ("well", [], [])
    assert found["rf"]["state"] == "off-verified"
    assert found["bench_thread"] == {"state": "well", "silent_s": 0}
    assert found["outbox"] == {"pending": 0}
    assert found["disk"]["free_bytes"] > 0
    assert found["instruments"][0]["answered_at"].endswith("Z")


async def test_a_source_that_does_not_say_that_it_is_off_wakes_somebody(ward: Ward) -> None:
    ward.rf.not_verified(["generator"], "generator: no answer")
    found = await ward.look()
    assert found["status"] == "wake"
    assert found["wake"][0].startswith("RF is NOT verified off: generator: no answer Keep away")


async def test_a_daemon_that_has_just_started_has_time_to_ask(ward: Ward) -> None:
    at = datetime.now(UTC)
    times = [at]
    ward.vitals._rf = RfWatch(lambda: times[0])
    assert (await ward.look())["wake"] == []
    ward.vitals._rf = RfWatch(lambda: at - timedelta(seconds=health.ASKING_FOR_S + 1))
    assert len((await ward.look())["wake"]) == 1


async def test_a_bench_thread_that_hangs_wakes_somebody(ward: Ward) -> None:
    ward.monitor.silent_ticks = HANGS_AFTER_TICKS
    found = await ward.look()
    assert found["bench_thread"]["state"] == "hangs"
    assert found["wake"] == [
        "the bench thread hangs: benchd can no longer speak to the instruments"
    ]


async def test_a_store_that_cannot_write_wakes_somebody_until_it_can(
    ward: Ward, monkeypatch: pytest.MonkeyPatch
) -> None:
    def full() -> None:
        raise StoreFull("the disk is full")

    with monkeypatch.context() as patched:
        patched.setattr(ward.store, "try_writing", full)
        found = await ward.look()
        assert (found["store"], found["wake"]) == (
            "the disk is full", ["nothing can be stored: the disk is full"],
        )  # fmt: skip
    assert (await ward.look())["wake"] == []


async def test_what_the_store_thread_found_out_itself_is_told_too(ward: Ward) -> None:
    found = await ward.look(store="another program holds the database")
    assert found["wake"] == ["nothing can be stored: another program holds the database"]


async def test_a_disk_that_hangs_is_told_and_not_waited_for(
    ward: Ward, monkeypatch: pytest.MonkeyPatch
) -> None:
    going = threading.Event()
    monkeypatch.setattr(ward.vitals._room, "_limit_s", 0.05)
    monkeypatch.setattr(ward.store, "outbox_count", lambda _: going.wait() and 0)
    found = await ward.look()
    assert found["wake"] == ["nothing can be stored: the store did not answer within 3 s"]
    going.set()


async def test_a_disk_that_is_nearly_full_wakes_somebody(
    ward: Ward, monkeypatch: pytest.MonkeyPatch
) -> None:
    usage = shutil.disk_usage("/")._replace(free=5 << 20)
    monkeypatch.setattr(health.shutil, "disk_usage", lambda _: usage)
    found = await ward.look()
    assert found["wake"] == ["the disk is nearly full: 5 MiB are left"]


async def test_jobs_that_stand_still_wake_somebody(
    ward: Ward, monkeypatch: pytest.MonkeyPatch
) -> None:
    soon = datetime.now(UTC) + timedelta(hours=1)
    await asyncio.to_thread(ward.store.add_job, examples.worksheet())
    await asyncio.to_thread(ward.store.add_job, examples.worksheet(), JobRequest(not_before=soon))
    found = await ward.look()
    assert (found["queue"]["waiting"], found["queue"]["may_run"]) == (2, 1)
    assert found["wake"] == []
    monkeypatch.setattr(health, "STUCK_AFTER_S", 0.0)
    assert (await ward.look())["wake"] == ["nothing runs, though a job may run since 0 s"]
    assert (await ward.look(running="job-1"))["wake"] == []


async def test_what_can_wait_until_the_morning_is_a_note(ward: Ward) -> None:
    job = await asyncio.to_thread(ward.store.add_job, examples.worksheet())
    for state in (JobState.RUNNING, JobState.NEEDS_HANDS):
        await asyncio.to_thread(ward.store.set_state, job.id, state)
    ward.broker = {**ward.broker, "connected": False, "message": "refused"}
    found = await ward.look(lost=["lid"])
    assert found["wake"] == []
    assert found["notes"] == [
        "lid does not answer", "not publishing: refused", f"job {job.id} asks for hands",
    ]  # fmt: skip
    assert found["outbox"]["pending"] == 3
