"""Attacks on the broker on board: nobody gives orders, forges states or takes over the daemon.

CONNECT packets are made byte by byte (MQTT 3.1.1, 3.1), since no client library sends bad ones.
"""

import asyncio
import contextlib
import socket
from collections.abc import AsyncIterator
from typing import Any

import pytest
from amqtt.session import Session
from hypothesis import given
from hypothesis import strategies as st

from benchd.publish import EmbeddedBroker, Pump, embedded
from benchd.publish.embedded_packet_check import BadPacket, Connect, Refused, read_connect
from benchd.publish.settings import client_id_for
from benchd.store import Store
from tests.patience import PATIENCE_S
from tests.publish.listening import heard, heard_on, listening, pumping, read, until
from tests.publish.test_orders import Recording
from tests.store import examples

ORDERS = "benchd/workshop/orders"
PRESENCE = "benchd/workshop/presence"
LATEST = "benchd/workshop/latest/dipole/return_loss"
READY = b'{"verb": "ready", "order": "evil", "job": "job-1"}'
DAEMONS_ID = client_id_for("workshop")


def field(value: bytes | str) -> bytes:
    data = value.encode() if isinstance(value, str) else value
    return len(data).to_bytes(2, "big") + data


def packet(kind: int, body: bytes) -> bytes:
    length, left = b"", len(body)
    while True:
        left, byte = left >> 7, left & 0x7F
        length += bytes((byte | (0x80 if left else 0),))
        if not left:
            return bytes((kind,)) + length + body


def connect(
    client_id: str = "evil",
    *,
    will: tuple[str, bytes] | None = None,
    will_retain: bool = False,
    will_qos: int = 1,
    username: str | None = None,
    password: str | None = None,
    clean: bool = True,
    flags: int = 0,
    version: int = 4,
    name: str = "MQTT",
) -> bytes:
    body = field(client_id)
    flags |= 0x02 * clean
    if will is not None:
        flags |= 0x04 | will_qos << 3 | 0x20 * will_retain
        body += field(will[0]) + field(will[1])
    if username is not None:
        flags |= 0x80
        body += field(username)
    if password is not None:
        flags |= 0x40
        body += field(password)
    return packet(0x10, field(name) + bytes((version, flags, 0, 60)) + body)


def publish(topic: str, payload: bytes, *, retain: bool = False, qos: int = 0) -> bytes:
    number = b"\x00\x07" if qos else b""
    return packet(0x30 | qos << 1 | retain, field(topic) + number + payload)


@contextlib.asynccontextmanager
async def attacked(store: Store) -> AsyncIterator[tuple[int, Recording, Pump]]:
    handler = Recording()
    async with (
        EmbeddedBroker("workshop", accounts={"anna": "secret"}) as broker,
        pumping(store, broker.settings, handler=handler) as pump,
    ):
        yield broker.settings.port, handler, pump


async def say(port: int, *packets: bytes) -> bytes:
    """Send packets, and read what comes until the broker hangs up or answers a CONNECT; then
    break the connection without a DISCONNECT, so that a last will would be published."""
    reader, writer = await asyncio.open_connection("127.0.0.1", port)
    try:
        async with asyncio.timeout(PATIENCE_S):
            with contextlib.suppress(OSError):
                writer.write(packets[0])
                await writer.drain()
                answer = await reader.read(4)
                for more in packets[1:]:
                    writer.write(more)
                    await writer.drain()
                return answer
            return b""
    finally:
        writer.transport.abort()


async def assert_all_is_well(port: int, store: Store, handler: Recording, pump: Pump) -> None:
    """No order carried out, nothing forged to be seen, and the daemon still publishes."""
    async with listening(port) as witness:
        job = await asyncio.to_thread(store.add_job, examples.worksheet())
        while True:
            (message,) = await heard(witness, 1)
            topic = str(message.topic)
            assert topic in (PRESENCE, f"benchd/workshop/job/{job.id}"), topic
            assert read(message).get("state") in ("online", "waiting")
            if topic.endswith(job.id):
                break
    assert handler.asked == []
    assert pump.status.connected


WILLS: dict[str, dict[str, Any]] = {
    "an order": {"will": (ORDERS, READY)},
    "an order, retained": {"will": (ORDERS, READY), "will_retain": True},
    "a forged presence": {"will": (PRESENCE, b'{"state": "offline"}'), "will_retain": True},
    "a forged latest": {"will": (LATEST, b"{}"), "will_retain": True},
    "clearing a state": {"will": (PRESENCE, b""), "will_retain": True},
    "a $ topic": {"will": ("$SYS/x", b"x")},
    "a wildcard": {"will": ("benchd/#", b"x")},
    "from an account": {"will": (ORDERS, READY), "username": "anna", "password": "secret"},
    "in a lasting session": {"will": (ORDERS, READY), "clean": False},
    "without a client id": {"will": (ORDERS, READY), "client_id": ""},
    "with the daemon's client id": {"will": (ORDERS, READY), "client_id": DAEMONS_ID},
    "with quality 2": {"will": (ORDERS, READY), "will_qos": 2},
}


@pytest.mark.parametrize("case", WILLS)
async def test_a_last_will_is_let_in_from_nobody_but_the_daemon(store: Store, case: str) -> None:
    async with attacked(store) as (port, handler, pump):
        answer = await say(port, connect(**WILLS[case]))
        assert answer[:2] == b"\x20\x02"
        assert answer[3] in (2, 5), "CONNACK: identifier rejected, or not authorized"
        await assert_all_is_well(port, store, handler, pump)


@pytest.mark.parametrize("clean", [True, False])
async def test_a_will_left_at_a_second_connection_is_refused_too(store: Store, clean: bool) -> None:
    """amqtt gives the session that exists the will of whoever connects with its client id."""
    async with attacked(store) as (port, handler, pump):
        reader, writer = await asyncio.open_connection("127.0.0.1", port)
        writer.write(connect("evil", clean=False))
        assert await reader.readexactly(4) == b"\x20\x02\x00\x00"
        answer = await say(port, connect("evil", will=(ORDERS, READY), clean=clean))
        assert answer == b"\x20\x02\x00\x05"
        writer.transport.abort()
        await assert_all_is_well(port, store, handler, pump)


THIEVES: dict[str, dict[str, Any]] = {
    "a guest": {},
    "a guest in the session that lasts": {"clean": False},
    "the daemon's name without a password": {"username": "benchd"},
    "the daemon's name with a wrong password": {"username": "benchd", "password": "benchd"},
    "the same in the session that lasts": {
        "username": "benchd",
        "password": "",
        "clean": False,
    },
    "an account": {"username": "anna", "password": "secret", "clean": False},
}


@pytest.mark.parametrize("thief", THIEVES)
async def test_the_daemons_client_id_is_the_daemons_alone(store: Store, thief: str) -> None:
    """amqtt ends the session of the same client id before it looks at the password."""
    async with attacked(store) as (port, handler, pump):
        answer = await say(port, connect(DAEMONS_ID, **THIEVES[thief]), publish(ORDERS, READY))
        assert answer[:2] == b"\x20\x02"
        assert answer[3] in (2, 5)
        await assert_all_is_well(port, store, handler, pump)
        assert pump.status.message == ""


async def test_a_session_does_not_become_the_daemons_by_a_failed_second_connect(
    store: Store,
) -> None:
    """amqtt takes over the new user name before it looks at the password."""
    async with attacked(store) as (port, handler, pump):
        reader, writer = await asyncio.open_connection("127.0.0.1", port)
        writer.write(connect("evil", clean=False))
        assert await reader.readexactly(4) == b"\x20\x02\x00\x00"
        for _ in range(20):
            await say(port, connect("evil", username="benchd", password="x", clean=False))
            writer.write(publish(ORDERS, READY) + publish(PRESENCE, b"forged", retain=True))
            await writer.drain()
        await assert_all_is_well(port, store, handler, pump)
        writer.transport.abort()


@pytest.mark.parametrize("username", ["", "Benchd", "benchd\u200b", "BENCHD", " benchd", "nobody"])
async def test_guessed_user_names_do_not_enter(store: Store, username: str) -> None:
    async with attacked(store) as (port, handler, pump):
        for password in (None, "", "benchd"):
            answer = await say(port, connect(username=username, password=password))
            assert answer == b"\x20\x02\x00\x05"
        await assert_all_is_well(port, store, handler, pump)


PUBLISHES = {
    "an order": publish(ORDERS, READY),
    "an order of quality 1": publish(ORDERS, READY, qos=1),
    "a retained order": publish(ORDERS, READY, retain=True),
    "a forged presence": publish(PRESENCE, b'{"state": "offline"}', retain=True),
    "clearing a state": publish(PRESENCE, b"", retain=True),
    "a forged latest": publish(LATEST, b"{}", retain=True, qos=1),
    "a $ topic": publish("$SYS/broker/x", b"x", retain=True),
    "all topics": publish("#", READY),
    "all orders": publish("benchd/+/orders", READY),
    "an empty topic": publish("", READY),
    "an order of quality 2": publish(ORDERS, READY, qos=2) + packet(0x62, b"\x00\x07"),
    "an order of quality 3": publish(ORDERS, READY, qos=3),
    "a CONNECT with a will": connect("evil", will=(ORDERS, READY)),
    "a packet that only brokers send": packet(0x90, b"\x00\x07\x00"),
    "a huge packet": b"\x30\xff\xff\xff\x7f" + b"x" * 100_000,
    "a packet without end": b"\x30\xff\xff\xff\xff\xff",
    "half a packet": publish(ORDERS, READY)[:9],
}


@pytest.mark.parametrize("case", PUBLISHES)
@pytest.mark.parametrize("account", ["guest", "anna"])
async def test_nothing_that_a_client_sends_is_passed_on(
    store: Store, case: str, account: str
) -> None:
    who = {} if account == "guest" else {"username": "anna", "password": "secret"}
    async with attacked(store) as (port, handler, pump):
        answer = await say(port, connect(**who), PUBLISHES[case])
        assert answer == b"\x20\x02\x00\x00"
        await assert_all_is_well(port, store, handler, pump)


async def test_a_huge_packet_is_not_read_to_its_end(store: Store) -> None:
    async with attacked(store) as (port, _, _pump):
        reader, writer = await asyncio.open_connection("127.0.0.1", port)
        writer.write(connect())
        assert await reader.readexactly(4) == b"\x20\x02\x00\x00"
        writer.write(b"\x30\xff\xff\xff\x7f")  # 256 MB are to come
        async with asyncio.timeout(PATIENCE_S):
            with contextlib.suppress(OSError):
                await reader.read()  # ends only if the broker hangs up
        writer.transport.abort()


BAD_CONNECTS = {
    "a reserved flag": connect(flags=0x01),
    "a will's quality without a will": connect(flags=0x08),
    "a retained will without a will": connect(flags=0x20),
    "a password without a name": connect(password="x"),
    "fields missing": packet(0x10, field("MQTT") + b"\x04\xc6\x00\x3c" + field("evil")),
    "bytes too many": packet(0x10, connect()[2:] + b"more"),
    "a client id that is not UTF-8": packet(0x10, field("MQTT") + b"\x04\x02\x00\x3c\x00\x01\xff"),
    "a NUL": connect("evil\0"),
    "a huge CONNECT": connect("e" * 20_000),
    "another packet first": publish(ORDERS, READY),
}


@pytest.mark.parametrize("case", BAD_CONNECTS)
async def test_a_connect_that_contradicts_itself_is_hung_up_on(store: Store, case: str) -> None:
    async with attacked(store) as (port, handler, pump):
        assert await say(port, BAD_CONNECTS[case]) == b""
        await assert_all_is_well(port, store, handler, pump)


@given(st.binary(max_size=80))
def test_no_bytes_break_the_reader_of_connects(body: bytes) -> None:
    with contextlib.suppress(BadPacket, Refused):
        assert isinstance(read_connect(body), Connect)


def test_a_connect_is_read_as_it_was_written() -> None:
    whole = connect("anna-1", will=("a", b"\xff"), username="anna", password="s", clean=False)
    assert read_connect(whole[2:]) == Connect("anna-1", "anna", "s", False, True)
    assert read_connect(connect("", clean=True)[2:]) == Connect("", None, None, True, False)
    with pytest.raises(Refused, match=r"not MQTT 3\.1\.1"):
        read_connect(connect(version=5)[2:])
    with pytest.raises(Refused, match="without a client id"):
        read_connect(connect("", clean=False)[2:])


async def test_whoever_waits_at_the_door_keeps_nobody_out(
    store: Store, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(embedded, "MOST_UNCHECKED", 5)
    async with attacked(store) as (port, handler, pump):
        idle = [await asyncio.open_connection("127.0.0.1", port) for _ in range(30)]
        idle[-1][1].write(connect()[:7])
        await assert_all_is_well(port, store, handler, pump)
        for _, writer in idle:
            writer.transport.abort()


async def test_silence_at_the_door_ends(store: Store, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(embedded, "CONNECT_WITHIN_S", 0.05)
    async with attacked(store) as (port, _, _pump):
        reader, writer = await asyncio.open_connection("127.0.0.1", port)
        writer.write(connect()[:7])
        async with asyncio.timeout(PATIENCE_S):
            with contextlib.suppress(OSError):
                assert await reader.read() == b""
        writer.transport.abort()


async def test_guests_beyond_the_limit_are_told_and_the_daemon_still_comes_in(
    store: Store, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(embedded, "MOST_GUESTS", 3)
    async with EmbeddedBroker("workshop") as broker:
        port = broker.settings.port
        inside = []
        for number in range(3):
            reader, writer = await asyncio.open_connection("127.0.0.1", port)
            writer.write(connect(f"guest{number}"))
            assert await reader.readexactly(4) == b"\x20\x02\x00\x00"
            inside.append(writer)
        assert await say(port, connect("one-more")) == b"\x20\x02\x00\x03"
        async with pumping(store, broker.settings) as pump:
            assert pump.status.connected
        for writer in inside:
            writer.transport.abort()


async def test_a_subscription_is_granted_and_brings_no_orders(store: Store) -> None:
    """Whoever listens to everything hears nothing but what the daemon says."""
    async with attacked(store) as (port, handler, pump), listening(port, "#") as witness:
        for will in WILLS.values():
            await say(port, connect(**will))
        await say(port, connect(), publish(ORDERS, READY, retain=True))
        job = await asyncio.to_thread(store.add_job, examples.worksheet())
        (first,) = await heard(witness, 1, "job")
        assert read(first)["job"] == job.id
        assert handler.asked == []
        assert pump.orders is None


async def test_the_library_itself_publishes_no_message_but_the_daemons(store: Store) -> None:
    """Should a message get past the door: a last will, or one of a plug-in."""
    async with (
        EmbeddedBroker("workshop") as broker,
        pumping(store, broker.settings),
        listening(broker.settings.port) as witness,
    ):
        inside = broker._broker
        assert inside is not None
        kept = ["benchd/workshop/epoch", PRESENCE]
        await until(lambda: sorted(inside.retained_messages) == kept)
        evil = Session()
        evil.username, evil.client_id = None, "evil"
        for session in (None, evil):
            await inside._broadcast_message(session, ORDERS, READY, 1)
            await inside._broadcast_message(session, PRESENCE, b"{}", 1)
            await inside.retain_message(session, LATEST, b"{}", 1)
            await inside.retain_message(session, PRESENCE, b"", 1)
        await inside.internal_message_broadcast(ORDERS, READY, 1)
        assert sorted(inside.retained_messages) == kept
        job = await asyncio.to_thread(store.add_job, examples.worksheet())
        assert (await heard_on(witness, "presence"))["state"] == "online"
        assert (await heard_on(witness, job.id))["job"] == job.id


async def test_an_order_that_arrives_nevertheless_is_not_carried_out(store: Store) -> None:
    """Even from the daemon's own account: the desk does not listen there."""
    handler = Recording()
    async with EmbeddedBroker("workshop") as broker:
        own = broker.settings
        async with pumping(store, own, handler=handler) as pump:
            assert pump.orders is None
            inside = broker._broker
            assert inside is not None
            assert ORDERS not in inside.subscriptions
            session, _ = inside._sessions[DAEMONS_ID]
            # Handed to the daemon's own client, as no publisher can.
            _, connection = inside._sessions[DAEMONS_ID]
            await asyncio.wait_for(connection.mqtt_publish(ORDERS, READY, 1, retain=False), 30)
            await inside._broadcast_message(session, ORDERS, READY, 1)
            await asyncio.to_thread(store.add_job, examples.worksheet())
            await until(lambda: pump.status.delivered == 1)
    assert handler.asked == []


async def test_a_client_that_reads_nothing_is_hung_up_on_and_one_that_reads_is_not(
    store: Store, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(embedded, "LOOK_EVERY_S", 0.05)
    subscribe = packet(0x82, b"\x00\x01" + field("benchd/#") + b"\x00")
    async with (
        EmbeddedBroker("workshop") as broker,
        pumping(store, broker.settings) as pump,
        listening(broker.settings.port, "benchd/workshop/job/#") as reading,
    ):
        inside = broker._broker
        assert inside is not None
        line = socket.socket()
        line.setsockopt(socket.SOL_SOCKET, socket.SO_RCVBUF, 4096)
        await asyncio.to_thread(line.connect, ("127.0.0.1", broker.settings.port))
        await asyncio.to_thread(line.sendall, connect() + subscribe)
        await until(lambda: "benchd/#" in inside.subscriptions)
        clients = len(broker._connections)
        # More than the buffers of the system hold.
        session, _ = inside._sessions[DAEMONS_ID]
        for _ in range(200):
            await inside._broadcast_message(session, "benchd/workshop/trace/x", b"x" * 100_000)
        await until(lambda: len(broker._connections) == clients - 1, what="the hanging up")
        line.close()
        job = await asyncio.to_thread(store.add_job, examples.worksheet())
        assert (await heard_on(reading, job.id))["job"] == job.id
        assert pump.status.connected
