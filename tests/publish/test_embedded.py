"""The broker inside the daemon."""

import asyncio
import sys
from dataclasses import replace

import aiomqtt
import pytest
from aiomqtt import MqttError, ProtocolVersion

from benchd.errors import UserError
from benchd.publish import EmbeddedBroker
from benchd.publish.embedded_rules import hashed
from benchd.store import Store
from tests.patience import PATIENCE_S
from tests.publish.listening import (
    heard,
    heard_on,
    listening,
    pumping,
    read,
    stranger,
    until,
    until_delivered,
)
from tests.publish.test_orders import Recording
from tests.store import examples


@pytest.mark.parametrize("host", ["0.0.0.0", "::", "192.168.1.5"])
def test_it_refuses_to_listen_where_others_could_reach_it(host: str) -> None:
    with pytest.raises(UserError, match="listens on this machine only"):
        EmbeddedBroker("workshop", host=host)


async def test_it_listens_on_loopback_on_a_free_port() -> None:
    async with EmbeddedBroker("workshop") as broker:
        assert broker._server is not None
        assert broker._server.sockets[0].getsockname() == ("127.0.0.1", broker.settings.port)
        assert broker.url == f"mqtt://127.0.0.1:{broker.settings.port}"


async def test_a_port_that_is_taken_is_told() -> None:
    async with EmbeddedBroker("workshop") as first:
        second = EmbeddedBroker("workshop", port=first.settings.port)
        with pytest.raises(UserError, match=r"cannot listen on .*choose another"):
            await second.start()


def test_a_missing_installation_is_told(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setitem(sys.modules, "amqtt.broker", None)
    with pytest.raises(UserError, match=r"not installed.*benchd\[embedded\]"):
        EmbeddedBroker("workshop")


def test_the_name_of_the_daemon_is_taken() -> None:
    with pytest.raises(UserError, match="the account name benchd is the daemon's own"):
        EmbeddedBroker("workshop", accounts={"benchd": "x"})


def test_passwords_are_salted() -> None:
    first, second = hashed("secret"), hashed("secret")
    assert first != second
    assert hashed("secret", first.partition("$")[0]) == first
    assert hashed("Secret", first.partition("$")[0]) != first


@pytest.mark.parametrize(
    "account",
    [
        {"username": "anna", "password": "wrong"},
        {"username": "anna"},
        {"username": "nobody", "password": "secret"},
        {"username": "benchd", "password": ""},
        {"username": "", "password": ""},
        {},
    ],
    ids=["wrong password", "no password", "unknown", "daemon's name", "empty name", "guest"],
)
async def test_nobody_enters_without_the_right_password(account: dict[str, str]) -> None:
    async with EmbeddedBroker("workshop", accounts={"anna": "secret"}, guests=False) as broker:
        with pytest.raises(MqttError):
            async with stranger(broker.settings.port, **account):
                pass
        async with stranger(broker.settings.port, username="anna", password="secret"):
            pass


async def test_only_the_daemon_publishes_and_nobody_gives_orders(store: Store) -> None:
    handler = Recording()
    async with (
        EmbeddedBroker("workshop", accounts={"anna": "secret"}) as broker,
        pumping(store, broker.settings, handler=handler),
        stranger(broker.settings.port) as guest,
        stranger(broker.settings.port, username="anna", password="secret") as anna,
        listening(broker.settings.port) as listener,
    ):
        order = '{"verb": "ready", "order": "NAME", "job": "job-1"}'
        for client, name in ((guest, "guest"), (anna, "anna")):
            await client.publish("benchd/workshop/presence", name, qos=1, retain=True)
            await client.publish("benchd/workshop/result", name, qos=1)
            await client.publish("benchd/workshop/orders", order.replace("NAME", name), qos=1)
        job = await asyncio.to_thread(store.add_job, examples.worksheet())
        topics = []
        while not topics or topics[-1] != f"job/{job.id}":
            (message,) = await heard(listener, 1)
            topics.append(str(message.topic).partition("workshop/")[2])
            if topics[-1] == "presence":
                assert read(message)["state"] == "online"
        assert set(topics) <= {"presence", f"job/{job.id}"}
    assert handler.asked == []


async def test_it_forgets_everything_and_the_outbox_brings_the_states_back(store: Store) -> None:
    job = await asyncio.to_thread(store.add_job, examples.worksheet())
    await asyncio.to_thread(
        store.commit_results, job.id, "x", [examples.record(job.id)], (), step_index_after=None
    )
    for _ in range(2):
        async with (
            EmbeddedBroker("workshop") as broker,
            pumping(store, broker.settings, restate=True),
        ):
            await until_delivered(store)
            async with listening(broker.settings.port, "benchd/workshop/latest/#") as client:
                assert (await heard_on(client, "return_loss"))["quantity"] == "return_loss"


async def test_the_pump_finds_out_that_it_speaks_3_1_1_only(store: Store) -> None:
    async with EmbeddedBroker("workshop") as broker:
        unsure = replace(broker.settings, protocol="auto", timeout_s=1.0)
        async with pumping(store, unsure) as pump:
            assert pump.status.protocol == "3.1.1"


async def test_a_5_0_client_is_not_served_but_does_no_harm(store: Store) -> None:
    async with EmbeddedBroker("workshop") as broker, pumping(store, broker.settings) as pump:
        with pytest.raises(MqttError):
            async with stranger(broker.settings.port, protocol=ProtocolVersion.V5, timeout=0.5):
                pass
        await asyncio.to_thread(store.add_job, examples.worksheet())
        await until_delivered(store)
        assert pump.status.connected


async def test_clients_that_misbehave_do_not_disturb_the_others(store: Store) -> None:
    async with EmbeddedBroker("workshop") as broker, pumping(store, broker.settings) as pump:
        for garbage in (
            b"",
            b"\x00",
            b"GET / HTTP/1.1\r\n\r\n",
            b"\x10\xff\xff\xff\xff\x7f",
            b"\x10",
        ):
            _, writer = await asyncio.open_connection("127.0.0.1", broker.settings.port)
            writer.write(garbage)
            await writer.drain()
            writer.transport.abort()
        async with listening(broker.settings.port, "benchd/workshop/job/#") as client:
            job = await asyncio.to_thread(store.add_job, examples.worksheet())
            assert (await heard_on(client, job.id))["job"] == job.id
        assert pump.status.connected


async def test_stopping_hangs_up_on_everyone_and_leaves_nothing_open() -> None:
    broker = EmbeddedBroker("workshop")
    await broker.start()
    port = broker.settings.port
    clients = [aiomqtt.Client("127.0.0.1", port) for _ in range(3)]
    for client in clients:
        await client.__aenter__()
    reader, writer = await asyncio.open_connection("127.0.0.1", port)
    await until(lambda: len(broker._connections) == 4)
    await asyncio.wait_for(broker.stop(), PATIENCE_S)
    assert await reader.read() == b""
    writer.close()
    for client in clients:
        with pytest.raises(MqttError):
            await anext(client.messages)
    assert broker._connections == {}
    with pytest.raises(OSError, match="Connect call failed"):
        await asyncio.open_connection("127.0.0.1", port)
