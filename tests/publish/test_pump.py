"""The pump against real brokers: Mosquitto at 5.0 and 3.1.1, and the embedded one."""

import asyncio
import json
from dataclasses import replace
from pathlib import Path

import aiomqtt
import pytest
from structlog.testing import capture_logs

from benchd.publish import BrokerSettings, pump
from benchd.store import JobState, Store
from tests.patience import PATIENCE_S
from tests.publish.brokers import Mosquitto, Proxy
from tests.publish.listening import (
    heard,
    heard_on,
    listening,
    pumping,
    read,
    until,
    until_delivered,
)
from tests.publish.test_orders import Recording
from tests.store import examples


def a_night(store: Store, results: int = 3) -> str:
    """One job with some results and a verdict; returns its id."""
    job = store.add_job(examples.worksheet())
    store.set_state(job.id, JobState.RUNNING)
    store.commit_capture(examples.capture(job.id), step_index_after=1, trace_points=20)
    records = [examples.record(job.id, value=float(number)) for number in range(results)]
    store.commit_results(job.id, "x", records, [examples.verdict()], step_index_after=2)
    store.set_state(job.id, JobState.DONE)
    return job.id


async def test_everything_in_the_outbox_arrives_unchanged_and_in_order(
    store: Store, settings: BrokerSettings
) -> None:
    await asyncio.to_thread(a_night, store, 300)
    rows = await asyncio.to_thread(store.outbox_pending, "workshop", 1000)
    async with listening(settings.port) as client, pumping(store, settings) as running:
        messages = await heard(client, len(rows) + 1)
        await until_delivered(store)
        await until(lambda: running.status.delivered == len(rows))
    sent = [(f"benchd/workshop/{row.topic}", row.payload, row.qos) for row in rows]
    got = [(str(m.topic), m.payload.decode(), m.qos) for m in messages]
    assert got[0][0] == "benchd/workshop/presence"
    assert got[1:] == sent


async def test_what_is_committed_while_connected_is_published_without_polling(
    store: Store, settings: BrokerSettings, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(pump, "LOOK_AGAIN_S", 3600.0)
    async with (
        pumping(store, settings),
        listening(settings.port, "benchd/workshop/job/+") as client,
    ):
        for _ in range(3):
            job = await asyncio.to_thread(store.add_job, examples.worksheet())
            assert read((await heard(client, 1, "/job/"))[0])["job"] == job.id


async def test_the_newest_state_is_there_for_a_later_subscriber(
    store: Store, settings: BrokerSettings
) -> None:
    await asyncio.to_thread(a_night, store)
    async with pumping(store, settings):
        await until_delivered(store)
        async with listening(settings.port) as client:
            # The embedded broker hands out retained messages twice.
            messages: dict[str, aiomqtt.Message] = {}
            while len(messages) < 3:
                (message,) = await heard(client, 1)
                messages[str(message.topic)] = message
    assert set(messages) == {
        "benchd/workshop/presence",
        "benchd/workshop/latest/dipole r3/return_loss",
        "benchd/workshop/reading/dipole r3/return_loss/dB",
    }
    assert all(message.retain for message in messages.values())
    latest = read(messages["benchd/workshop/latest/dipole r3/return_loss"])
    assert [entry["value"] for entry in latest["results"]] == [0.0, 1.0, 2.0]
    assert [entry["text"] for entry in latest["results"]][1] == "1.00 dB, 0.19 to 1.81 dB"
    assert messages["benchd/workshop/reading/dipole r3/return_loss/dB"].payload == b"0.00"


async def test_presence_says_online_and_after_a_clean_stop_offline(
    store: Store, settings: BrokerSettings
) -> None:
    async with listening(settings.port, "benchd/workshop/presence") as client:
        async with pumping(store, settings, version="1.2.3"):
            online = await heard_on(client, "presence")
        offline = await heard_on(client, "presence")
    session = online["session"]
    assert {**online, "at": None, "epoch": None} == {
        "schema": "benchd.presence/1",
        "bench": "workshop",
        "state": "online",
        "reason": "started",
        "at": None,
        "session": session,
        "version": "1.2.3",
        "epoch": None,
        "epoch_first": 1,
        "sequence": 0,
    }
    assert online["epoch"].startswith("epoch-")
    assert (offline["state"], offline["reason"], offline["session"]) == (
        "offline",
        "stopped",
        session,
    )


async def test_a_connection_that_breaks_leaves_a_last_will_until_the_next(
    store: Store, settings: BrokerSettings
) -> None:
    async with (
        Proxy(settings.port).running() as proxy,
        listening(settings.port, "benchd/workshop/presence") as client,
        pumping(store, replace(settings, port=proxy.port)),
    ):
        first = await heard_on(client, "presence")
        proxy.cut()
        gone = await heard_on(client, "presence")
        again = await heard_on(client, "presence")
    assert (gone["state"], gone["reason"]) == ("offline", "lost")
    assert gone["session"] == first["session"]
    assert again["state"] == "online"
    assert again["session"] != first["session"]


async def test_presence_is_said_again_when_someone_overwrites_it(
    store: Store, settings: BrokerSettings
) -> None:
    """As the will of an earlier connection of this bench may do, seconds later."""
    async with pumping(store, settings) as running:
        async with listening(settings.port, "benchd/workshop/presence") as client:
            assert (await heard_on(client, "presence"))["state"] == "online"
            async with asyncio.timeout(PATIENCE_S):
                await _overwrite_presence(settings)
            while (await heard_on(client, "presence"))["state"] != "offline":
                pass
            assert (await heard_on(client, "presence"))["state"] == "online"
        assert running.status.connected


async def _overwrite_presence(settings: BrokerSettings) -> None:
    from tests.publish.listening import stranger

    account = {"username": settings.username, "password": settings.password}
    async with stranger(settings.port, **account) as other:
        payload = json.dumps(
            {
                "schema": "benchd.presence/1",
                "bench": "workshop",
                "state": "offline",
                "reason": "lost",
                "at": "2026-03-01T00:00:00Z",
                "session": "con-old",
                "version": "0",
            }
        )
        await other.publish("benchd/workshop/presence", payload, qos=1, retain=True)


async def test_a_name_with_awkward_characters_is_one_level_of_the_topic(
    store: Store, settings: BrokerSettings
) -> None:
    job = await asyncio.to_thread(store.add_job, examples.worksheet())
    record = examples.record(job.id, antenna="1/4 wave #2 + Ω")
    await asyncio.to_thread(store.commit_results, job.id, "x", [record], (), step_index_after=None)
    async with (
        listening(settings.port, "benchd/workshop/latest/+/+") as client,
        pumping(store, settings),
    ):
        (message,) = await heard(client, 1, "/latest/")
    assert str(message.topic) == "benchd/workshop/latest/1%2F4 wave %232 %2B Ω/return_loss"
    assert read(message)["antenna"] == "1/4 wave #2 + Ω"


async def test_states_are_sent_again_to_a_broker_that_forgets(
    store: Store, settings: BrokerSettings
) -> None:
    await asyncio.to_thread(a_night, store)
    async with pumping(store, settings):
        await until_delivered(store)
    async with listening(settings.port, "benchd/workshop/latest/#") as client:
        assert (await heard(client, 1, "/latest/"))[0].retain
        async with pumping(store, settings, restate=True):
            again = (await heard(client, 1, "/latest/"))[0]
    assert not again.retain  # sent while we listened
    assert read(again)["quantity"] == "return_loss"


async def test_no_trouble_is_reported_to_asyncio(store: Store, settings: BrokerSettings) -> None:
    reports: list[str] = []
    asyncio.get_running_loop().set_exception_handler(
        lambda _, context: reports.append(str(context))
    )
    for _ in range(3):
        async with pumping(store, settings):
            pass
    assert reports == []


async def test_a_disk_in_trouble_is_told_and_tried_again(
    store: Store, settings: BrokerSettings, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    import sqlite3

    from tests.publish.listening import until

    monkeypatch.setattr("benchd.store.database.BUSY_TIMEOUT_MS", 1)
    place = tmp_path / "other.db"
    impatient = await asyncio.to_thread(Store.open, place)
    await asyncio.to_thread(a_night, impatient)
    holder = sqlite3.connect(place, isolation_level=None, check_same_thread=False)
    holder.execute("BEGIN IMMEDIATE")
    async with pumping(impatient, settings) as running:
        await until(lambda: "another program holds the database" in running.status.message)
        assert not running.status.connected
        await asyncio.to_thread(holder.close)
        await until_delivered(impatient)
        await until(lambda: running.status.connected)
    await asyncio.to_thread(impatient.close)


@pytest.mark.needs("mosquitto")
@pytest.mark.parametrize("takes_orders", [True, False])
async def test_orders_from_a_broker_without_passwords_are_warned_of(
    store: Store, mosquitto: Mosquitto, takes_orders: bool
) -> None:
    settings = BrokerSettings.from_url(mosquitto.url, bench="workshop")
    with capture_logs() as logged:
        async with pumping(store, settings, handler=Recording() if takes_orders else None):
            pass
    told = [one for one in logged if one["event"].startswith("orders are taken from whoever")]
    assert [one["topic"] for one in told] == ["benchd/workshop/orders"] * takes_orders
