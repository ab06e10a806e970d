"""Facts about the MQTT library and Mosquitto that benchd relies on, each found by experiment.

If one of these fails after an update, the cure that rests on it may no longer be needed, or no
longer work.
"""

import asyncio
from dataclasses import replace

import aiomqtt
import pytest
from aiomqtt import ProtocolVersion
from amqtt.client import MQTTClient

from benchd.publish import BrokerSettings
from benchd.publish.connection import connected
from benchd.store import Store
from tests.patience import PATIENCE_S
from tests.publish.brokers import Mosquitto
from tests.publish.listening import heard, pumping, stranger, until, until_delivered
from tests.publish.test_trouble import guarded, many_results

WILL = aiomqtt.Will("benchd/workshop/presence", "gone", qos=1)
READ_ONLY = "user benchd\ntopic read benchd/#\n"
WRITE_ONLY = "user benchd\ntopic write benchd/#\n"


@pytest.mark.needs("mosquitto", "mosquitto_passwd")
async def test_a_publish_denied_at_5_0_returns_normally_but_our_client_notices() -> None:
    async with (
        guarded(READ_ONLY) as (_, settings),
        connected(settings, version=ProtocolVersion.V5, will=WILL, context=None) as client,
    ):
        await client.send("benchd/workshop/result", "x")
        assert client.refusal == "Not authorized"


@pytest.mark.needs("mosquitto", "mosquitto_passwd")
async def test_a_publish_denied_at_3_1_1_cannot_be_noticed() -> None:
    async with (
        guarded(READ_ONLY) as (_, settings),
        connected(settings, version=ProtocolVersion.V311, will=WILL, context=None) as client,
    ):
        await client.send("benchd/workshop/result", "x")
        assert client.refusal is None


async def packet(reader: asyncio.StreamReader) -> bytes:
    """The body of the next MQTT packet (3.1.1, 2.2.3: lengths have seven bits a byte)."""
    await reader.readexactly(1)
    length, shift = 0, 0
    while True:
        (byte,) = await reader.readexactly(1)
        length |= (byte & 0x7F) << shift
        shift += 7
        if byte < 0x80:
            return await reader.readexactly(length)


async def refuse_subscriptions(reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
    """A broker of few bytes: lets anyone in and refuses every subscription (3.1.1, 3.9.3)."""
    await packet(reader)
    writer.write(b"\x20\x02\x00\x00")  # CONNACK, accepted
    packet_id = (await packet(reader))[:2]
    writer.write(b"\x90\x03" + packet_id + b"\x80")  # SUBACK, failure
    await reader.read()
    writer.close()


async def test_a_denied_subscription_does_not_raise_but_its_codes_tell(store: Store) -> None:
    server = await asyncio.start_server(refuse_subscriptions, "127.0.0.1", 0)
    port = server.sockets[0].getsockname()[1]
    async with stranger(port, protocol=ProtocolVersion.V311) as client:
        codes = await client.subscribe("anything", qos=1)
    assert [code.value for code in codes] == [128]
    settings = BrokerSettings.from_url(f"mqtt://127.0.0.1:{port}", bench="workshop")
    settings = replace(settings, protocol="3.1.1")
    async with pumping(store, settings, connect=False) as pump:
        await until(
            lambda: "does not allow reading benchd/workshop/presence" in pump.status.message
        )
    server.close()
    await server.wait_closed()


@pytest.mark.needs("mosquitto", "mosquitto_passwd")
async def test_mosquitto_grants_a_subscription_that_its_access_rules_deny() -> None:
    """So only hearing our own presence proves that we may read."""
    async with (
        guarded("user benchd\n") as (_, settings),
        connected(settings, version=ProtocolVersion.V5, will=WILL, context=None) as client,
    ):
        assert await client.hear("benchd/workshop/presence")


@pytest.mark.needs("mosquitto")
@pytest.mark.parametrize(
    ("line", "all_kept"),
    [("max_queued_messages 0", True), ("max_queued_messages 100", False)],
)
async def test_a_subscriber_that_sleeps_gets_a_night_of_results_only_from_an_unbounded_queue(
    store: Store, line: str, all_kept: bool
) -> None:
    broker = Mosquitto("allow_anonymous true", line)
    await asyncio.to_thread(broker.start)
    try:
        async with stranger(broker.port, identifier="sleeper", clean_session=False) as client:
            await client.subscribe("benchd/workshop/result", qos=1)
        await asyncio.to_thread(many_results, store, 500)
        settings = BrokerSettings.from_url(broker.url, bench="workshop")
        async with pumping(store, settings):
            await until_delivered(store)
        got = 0
        async with stranger(broker.port, identifier="sleeper", clean_session=False) as client:
            await client.publish("benchd/workshop/result", "end", qos=1)
            while (await heard(client, 1))[0].payload != b"end":
                got += 1
                if got == 500:
                    break
    finally:
        await asyncio.to_thread(broker.close)
    assert (got == 500) is all_kept


async def test_a_second_connection_of_the_same_client_id_takes_over(mosquitto: Mosquitto) -> None:
    """So the will of a hung predecessor comes before our `online`, not after it."""
    settings = BrokerSettings.from_url(mosquitto.url, bench="workshop")
    async with stranger(mosquitto.port) as witness:
        await witness.subscribe("benchd/workshop/presence", qos=1)
        v5 = ProtocolVersion.V5
        async with connected(settings, version=v5, will=WILL, context=None) as first:
            async with connected(settings, version=v5, will=WILL, context=None) as second:
                await second.send("benchd/workshop/presence", "online")
                words = [message.payload for message in await heard(witness, 2)]
            with pytest.raises(aiomqtt.MqttError):
                await anext(first.messages)
    assert words == [b"gone", b"online"]


async def test_an_independent_client_reads_what_we_publish(
    store: Store, mosquitto: Mosquitto
) -> None:
    """amqtt's own client shares no code with the one that publishes."""
    listener = MQTTClient(config={"auto_reconnect": False})
    await listener.connect(mosquitto.url)
    await listener.subscribe([("benchd/workshop/result", 1)])
    await asyncio.to_thread(many_results, store, 20)
    rows = await asyncio.to_thread(store.outbox_pending, "workshop")
    settings = replace(BrokerSettings.from_url(mosquitto.url, bench="workshop"), protocol="5.0")
    got = []
    async with pumping(store, settings):
        async with asyncio.timeout(PATIENCE_S):
            while len(got) < 20:
                message = await listener.deliver_message()
                assert message is not None
                got.append(bytes(message.data).decode())
    await listener.disconnect()
    assert got == [row.payload for row in rows if row.topic == "result"]
