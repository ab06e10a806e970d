"""A database that does not follow on what was published begins a new epoch, and no other does.

With a real broker; a run of the daemon is one pump here, and a crash is a pump that is dropped.
"""

import asyncio
import contextlib
import json
import shutil
from collections.abc import AsyncIterator
from pathlib import Path
from typing import Any

import pytest
from structlog.testing import capture_logs

from benchd.publish import BrokerSettings, Subscriber
from benchd.statefolder import state_folder
from benchd.store import Store
from tests.patience import PATIENCE_S
from tests.publish.brokers import Mosquitto
from tests.publish.listening import listening, pumping, until, until_delivered
from tests.store import examples

pytestmark = pytest.mark.needs("mosquitto")


class Wall:
    """A display on the wall: reads a bench by our own subscriber for as long as a test runs."""

    def __init__(self, port: int) -> None:
        self.reader = Subscriber(after=0)
        self.kinds: dict[str, str] = {}
        self.told: list[dict[str, Any]] = []
        self.restarts = 0
        self._port = port

    @contextlib.asynccontextmanager
    async def watching(self) -> AsyncIterator["Wall"]:
        ready = asyncio.Event()
        task = asyncio.create_task(self._watch(ready))
        await ready.wait()
        try:
            yield self
        finally:
            task.cancel()
            with contextlib.suppress(asyncio.CancelledError):
                await task

    async def _watch(self, ready: asyncio.Event) -> None:
        async with listening(self._port) as client:
            ready.set()
            async for message in client.messages:
                reading = self.reader.feed(str(message.topic), bytes(message.payload))
                self.restarts += reading.restarted
                if "previous" in reading.message:
                    name = reading.message["result" if "result" in reading.message else "id"]
                    self.kinds.setdefault(name, reading.kind)
                if str(message.topic).endswith("/epoch"):
                    self.told.append(reading.message)


class Workshop:
    """One bench's data folder, the runs of a daemon on it, and who listens."""

    def __init__(self, folder: Path, broker: Mosquitto) -> None:
        self.folder = folder
        self.settings = BrokerSettings.from_url(broker.url, bench="workshop")
        self.wall = Wall(broker.port)

    @property
    def database(self) -> Path:
        return self.folder / "benchd.sqlite"

    async def run(self, count: int, *, publishes: bool = True) -> list[str]:
        """A run of the daemon with so many results; their ids."""
        store = await asyncio.to_thread(Store.open, self.database)
        try:
            names = await asyncio.to_thread(self._measure, store, count)
            if publishes:
                async with pumping(store, self.settings):
                    await until_delivered(store)
                    await until(lambda: set(names) <= self.wall.kinds.keys(), what="results")
            return names
        finally:
            await asyncio.to_thread(store.close)

    def _measure(self, store: Store, count: int) -> list[str]:
        job = store.add_job(examples.worksheet())
        records = [examples.record(job.id) for _ in range(count)]
        for record in records:
            store.commit_results(job.id, "x", [record], step_index_after=None)
        return [record.id for record in records]

    async def epochs(self) -> list[tuple[int, int]]:
        """First number and highest handed out of each epoch."""
        return await asyncio.to_thread(self._epochs)

    def _epochs(self) -> list[tuple[int, int]]:
        with Store.open(self.database) as store:
            return [(one.first, one.handed) for one in store.epochs("workshop")]

    def assert_all_new(self, names: list[str]) -> None:
        assert {name: self.wall.kinds[name] for name in names} == dict.fromkeys(names, "new")
        assert self.wall.reader.gaps == ()


@pytest.fixture
async def workshop(tmp_path: Path, mosquitto: Mosquitto) -> AsyncIterator[Workshop]:
    found = Workshop(tmp_path / "data", mosquitto)
    async with found.wall.watching():
        yield found


def forget_state() -> None:
    shutil.rmtree(state_folder(), ignore_errors=True)


def marks_beside(folder: Path) -> list[Path]:
    return list(folder.glob("*.published"))


async def test_a_restart_is_no_new_epoch(workshop: Workshop) -> None:
    for _ in range(3):
        workshop.assert_all_new(await workshop.run(2))
    assert await workshop.epochs() == [(1, 9)]
    assert workshop.wall.restarts == 0
    assert [one["reason"] for one in workshop.wall.told if one["reason"]] == []


async def test_a_file_copied_back_from_a_backup_begins_a_new_epoch(
    workshop: Workshop, tmp_path: Path
) -> None:
    await workshop.run(2)
    shutil.copy(workshop.database, tmp_path / "backup")
    workshop.assert_all_new(await workshop.run(4))
    shutil.copy(tmp_path / "backup", workshop.database)
    workshop.assert_all_new(await workshop.run(3))
    assert await workshop.epochs() == [(1, 3), (4, 7)]
    assert workshop.wall.restarts == 1
    said = workshop.wall.told[-1]
    assert (said["epoch_first"], said["sequence"]) == (4, 7)
    assert "event 8 was published already" in said["reason"]
    # Once more, to the same backup, and a usual restart after it.
    shutil.copy(tmp_path / "backup", workshop.database)
    workshop.assert_all_new(await workshop.run(3))
    workshop.assert_all_new(await workshop.run(3))
    assert await workshop.epochs() == [(1, 3), (4, 11)]
    assert workshop.wall.restarts == 2


async def test_readings_of_results_that_a_restored_backup_lacks_are_mended(
    workshop: Workshop, tmp_path: Path
) -> None:
    """A reading that the backup knows is told anew, one that it does not know is cleared."""
    readings: dict[str, bytes] = {}

    def store_one(**changes: Any) -> None:
        with Store.open(workshop.database) as store:
            job = store.add_job(examples.worksheet())
            record = examples.record(job.id, **changes)
            store.commit_results(job.id, "x", [record], step_index_after=None)

    async def told() -> None:
        readings.clear()
        async with listening(workshop.settings.port, "benchd/workshop/reading/#") as client:
            with contextlib.suppress(TimeoutError):
                async with asyncio.timeout(1.0):
                    async for message in client.messages:
                        readings[str(message.topic).split("/")[4]] = bytes(message.payload)

    await asyncio.to_thread(store_one, value=20.0)
    await workshop.run(0)
    await asyncio.to_thread(shutil.copy, workshop.database, tmp_path / "backup")
    await asyncio.to_thread(store_one, value=30.0)
    await asyncio.to_thread(store_one, quantity="vswr", unit="1", value=1.2)
    await workshop.run(0)
    await told()
    assert set(readings) == {"return_loss", "vswr"}
    assert float(readings["return_loss"]) == 30.0
    await asyncio.to_thread(shutil.copy, tmp_path / "backup", workshop.database)
    store = await asyncio.to_thread(Store.open, workshop.database)
    async with pumping(store, workshop.settings):
        async with asyncio.timeout(PATIENCE_S):
            while set(readings) != {"return_loss"}:
                await told()
    await asyncio.to_thread(store.close)
    assert float(readings["return_loss"]) == 20.0


async def forget_at_the_broker(workshop: Workshop) -> None:
    async with listening(workshop.settings.port) as client:
        await client.publish("benchd/workshop/epoch", "", qos=1, retain=True)


@pytest.mark.parametrize("left", ["mark beside the file", "state folder", "broker"])
async def test_any_one_of_the_three_marks_is_enough(
    workshop: Workshop, tmp_path: Path, left: str
) -> None:
    """A data folder put back takes its mark along; a state folder or a broker can be new."""
    await workshop.run(2)
    shutil.copytree(workshop.folder, tmp_path / "backup")
    await workshop.run(4)
    if left == "mark beside the file":
        shutil.copy(tmp_path / "backup" / workshop.database.name, workshop.database)
    else:
        shutil.rmtree(workshop.folder)
        shutil.copytree(tmp_path / "backup", workshop.folder)
    if left != "state folder":
        forget_state()
    if left != "broker":
        await forget_at_the_broker(workshop)
    workshop.assert_all_new(await workshop.run(3))
    assert await workshop.epochs() == [(1, 3), (4, 7)]


async def test_a_lost_log_of_sqlite_begins_a_new_epoch(workshop: Workshop, tmp_path: Path) -> None:
    await workshop.run(2)
    # What a kill -9 and a deleted -wal leave: the main file as it was at the last checkpoint.
    store = await asyncio.to_thread(Store.open, workshop.database)
    names = await asyncio.to_thread(workshop._measure, store, 3)
    async with pumping(store, workshop.settings):
        await until_delivered(store)
        await until(lambda: set(names) <= workshop.wall.kinds.keys())
        shutil.copy(workshop.database, tmp_path / "main-file-alone")
    await asyncio.to_thread(store.close)
    for path in workshop.folder.glob("benchd.sqlite-*"):
        path.unlink()
    shutil.copy(tmp_path / "main-file-alone", workshop.database)
    workshop.assert_all_new(await workshop.run(3))
    assert await workshop.epochs() == [(1, 3), (4, 7)]


async def test_two_copies_that_run_in_turn_are_told_apart(
    workshop: Workshop, tmp_path: Path
) -> None:
    await workshop.run(2)
    other = Workshop(tmp_path / "other", Mosquitto())
    other.settings, other.wall = workshop.settings, workshop.wall
    shutil.copytree(workshop.folder, other.folder)
    workshop.assert_all_new(await workshop.run(2))
    workshop.assert_all_new(await other.run(2))
    workshop.assert_all_new(await workshop.run(2))
    workshop.assert_all_new(await other.run(2))
    assert await workshop.epochs() == [(1, 6), (7, 9)]
    assert await other.epochs() == [(1, 3), (4, 6), (7, 9)]


async def test_two_copies_are_told_apart_by_the_state_folder_alone(
    workshop: Workshop, tmp_path: Path
) -> None:
    """The broker on board forgets, and a mark beside the copy is the copy's own."""
    await workshop.run(2)
    other = Workshop(tmp_path / "other", Mosquitto())
    other.settings, other.wall = workshop.settings, workshop.wall
    shutil.copytree(workshop.folder, other.folder)
    for one in (workshop, other, workshop, other, workshop):
        await forget_at_the_broker(workshop)
        workshop.assert_all_new(await one.run(2))


async def test_what_was_measured_before_the_broker_could_be_asked_is_counted_anew(
    workshop: Workshop, tmp_path: Path
) -> None:
    """Only the broker knows better, and it comes back after a day."""
    await workshop.run(2)
    shutil.copytree(workshop.folder, tmp_path / "backup")
    await workshop.run(4)
    shutil.rmtree(workshop.folder)
    shutil.copytree(tmp_path / "backup", workshop.folder)
    forget_state()
    offline = await workshop.run(10, publishes=False)
    workshop.assert_all_new(await workshop.run(2))
    workshop.assert_all_new(offline)
    assert await workshop.epochs() == [(1, 3), (4, 17)]
    store = await asyncio.to_thread(Store.open, workshop.database)
    assert len(await asyncio.to_thread(store.results, limit=100)) == 14
    assert await asyncio.to_thread(store.outbox_count, "workshop") == 0
    await asyncio.to_thread(store.close)


async def test_a_crash_between_any_two_steps_is_no_new_epoch(
    workshop: Workshop, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Noted in the database, in the marks, sent, confirmed: stop after each of them."""
    from benchd.publish import published_numbers, pump

    for broken in ("note", "marks", "send", "confirm"):
        store = await asyncio.to_thread(Store.open, workshop.database)
        await asyncio.to_thread(workshop._measure, store, 2)
        reached = asyncio.Event()
        loop = asyncio.get_running_loop()

        def stop(*_: Any, reached: asyncio.Event = reached, loop: Any = loop) -> Any:
            loop.call_soon_threadsafe(reached.set)
            raise OSError("the power is cut")

        async def stop_later(*_: Any, reached: asyncio.Event = reached) -> Any:
            reached.set()
            await asyncio.Future()

        with monkeypatch.context() as patch:
            if broken == "note":
                patch.setattr(store, "hand_out", stop)
            elif broken == "marks":
                patch.setattr(published_numbers, "_replace", stop)
            elif broken == "send":
                patch.setattr(pump.Pump, "epoch_message", stop)
            else:
                patch.setattr(pump.Pump, "have_delivered", stop_later)
            running = pump.Pump(store, "workshop", workshop.settings)
            task = asyncio.create_task(running.run())
            async with asyncio.timeout(30):
                await reached.wait()
            task.cancel()
            with contextlib.suppress(asyncio.CancelledError, OSError):
                await task
        await asyncio.to_thread(store.close)
        await workshop.run(1)
    assert len(await workshop.epochs()) == 1
    assert workshop.wall.restarts == 0


async def test_without_a_state_folder_it_works_and_says_so(
    workshop: Workshop, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    in_the_way = tmp_path / "a file"
    in_the_way.write_text("")
    monkeypatch.setenv("BENCHD_STATE", str(in_the_way / "state"))
    with capture_logs() as logged:
        for _ in range(3):
            workshop.assert_all_new(await workshop.run(2))
    assert await workshop.epochs() == [(1, 9)]
    told = [line for line in logged if line["event"].startswith("no mark of what was published")]
    assert [line["log_level"] for line in told] == ["warning"] * 3
    assert "BENCHD_STATE" in told[0]["advice"]
    assert told[0]["folder"] == str(in_the_way / "state" / "epochs")


@pytest.mark.parametrize("text", ["", "{", "[]", '{"epoch": 5}', "\0"])
async def test_a_mark_that_cannot_be_read_says_nothing(workshop: Workshop, text: str) -> None:
    await workshop.run(2)
    for mark in (*marks_beside(workshop.folder), *state_folder().rglob("*.json")):
        mark.write_text(text)
    async with listening(workshop.settings.port) as client:
        await client.publish("benchd/workshop/epoch", text, qos=1, retain=True)
    workshop.assert_all_new(await workshop.run(2))
    assert len(await workshop.epochs()) == 1


async def test_no_more_marks_are_kept_than_a_thousand_databases_need(
    workshop: Workshop, monkeypatch: pytest.MonkeyPatch
) -> None:
    from benchd.publish import published_numbers

    monkeypatch.setattr(published_numbers, "KEPT_MARKS", 3)
    for _ in range(5):
        shutil.rmtree(workshop.folder, ignore_errors=True)
        await workshop.run(1)
    kept = [json.loads(file.read_text()) for file in state_folder().glob("epochs/*")]
    assert len(kept) == 3
    assert workshop.wall.told[-1]["epoch"] in {one["epoch"] for one in kept}


async def test_presence_tells_the_epoch(workshop: Workshop) -> None:
    await workshop.run(2)
    async with listening(workshop.settings.port, "benchd/workshop/presence") as client:
        async with asyncio.timeout(30):
            message = await anext(client.messages)
    said = json.loads(message.payload)
    assert (said["state"], said["epoch_first"], said["sequence"]) == ("offline", 1, 3)
    assert said["epoch"] == workshop.wall.told[-1]["epoch"]


async def test_another_database_in_place_of_the_old_one_is_another_epoch_already(
    workshop: Workshop,
) -> None:
    await workshop.run(4)
    shutil.rmtree(workshop.folder)
    workshop.assert_all_new(await workshop.run(2))
    assert await workshop.epochs() == [(1, 3)]
    assert workshop.wall.restarts == 1
