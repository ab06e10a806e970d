"""One connection to a broker, with workarounds for faults of the client library.

Every attempt uses a new client: a used one sends "failed" messages again, and one whose connecting
was cancelled stays locked.
"""

from __future__ import annotations

import asyncio
import contextlib
import logging
import math
import ssl
from collections.abc import AsyncIterator, Callable
from contextlib import asynccontextmanager
from typing import Any

import aiomqtt
from aiomqtt import MqttCodeError, MqttError
from aiomqtt.exceptions import MqttConnectError
from paho.mqtt.enums import MQTTErrorCode
from paho.mqtt.packettypes import PacketTypes
from paho.mqtt.properties import Properties
from paho.mqtt.reasoncodes import ReasonCode

from benchd.errors import BenchdError
from benchd.publish.settings import BrokerSettings
from benchd.untrusted import LARGEST_CERTIFICATES_BYTES, read_text, why

STOP_WITHIN_S = 2.0
# MQTT 5.0, table 2.4; the library maps the codes of 3.1.1 to the same.
_WRONG_PROTOCOL = {132}
_NOT_ALLOWED = {134, 135, 138}
_log = logging.getLogger(__name__)


class BrokerRefused(BenchdError):
    """The broker answers, but refuses the connection or refuses what is published."""

    family = "broker-refused"


class BrokerLost(BenchdError):
    """The broker cannot be reached or stopped answering.

    fell_silent: the connection was accepted, but no answer came.
    """

    family = "broker-lost"
    fell_silent = False


class WrongProtocol(BenchdError):
    """The broker does not speak this version of MQTT."""

    family = "broker-refused"


class Client(aiomqtt.Client):
    """The library's client. This one notices refused messages and can be cancelled.

    An MQTT 5.0 broker says in its acknowledgement that it threw a message away (no access, quota
    exceeded); the library does not look at it. At 3.1.1 no broker can say so.

    The library's own timeouts rest on `asyncio.wait_for`, which before Python 3.12 may swallow a
    cancellation that comes together with the acknowledgement; the task then runs on for ever. So
    they are switched off, and `asyncio.timeout` is put around each call.
    """

    refusal: str | None = None
    answer_within_s = 10.0

    def __init__(self, *arguments: Any, **named: Any) -> None:
        super().__init__(*arguments, **named)
        self._posted: dict[int, Callable[[], None]] = {}

    async def send(
        self,
        topic: str,
        payload: str,
        *,
        qos: int = 1,
        retain: bool = False,
        properties: Properties | None = None,
    ) -> None:
        """Publish, and wait for the acknowledgement. Raises MqttError."""
        async with self._in_time("acknowledge a message"):
            await self.publish(topic, payload, qos=qos, retain=retain, properties=properties)

    def post(
        self,
        topic: str,
        payload: str,
        confirmed: Callable[[], None],
        *,
        qos: int,
        retain: bool,
        properties: Properties | None = None,
    ) -> None:
        """Publish without waiting, many times faster than `send` by many tasks.

        confirmed: called on the event loop when the broker has acknowledged it, or has thrown it
        away (`refusal`). Raises MqttError if there is no connection.
        """
        info = self._client.publish(topic, payload, qos, retain, properties)
        if info.rc != MQTTErrorCode.MQTT_ERR_SUCCESS:
            raise MqttCodeError(info.rc, "a message could not be sent")
        if info.is_published():
            confirmed()
        else:
            self._posted[info.mid] = confirmed

    async def hear(self, topic: str) -> bool:
        """Subscribe; False if the broker refuses. Raises MqttError."""
        async with self._in_time("acknowledge a subscription"):
            codes = await self.subscribe(topic, qos=1)
        # 128 and above are refusals, which the library does not raise (3.1.1, 3.9.3).
        return all((c.value if isinstance(c, ReasonCode) else int(c)) < 128 for c in codes)

    async def forget(self, topic: str) -> None:
        """End a subscription. Raises MqttError."""
        async with self._in_time("acknowledge the end of a subscription"):
            await self.unsubscribe(topic)

    @asynccontextmanager
    async def _in_time(self, what: str) -> AsyncIterator[None]:
        try:
            async with asyncio.timeout(self.answer_within_s):
                yield
        except TimeoutError:
            raise MqttError(f"it did not {what} within {self.answer_within_s:g} s") from None

    def _on_publish(
        self, client: Any, userdata: Any, mid: int, reason_code: ReasonCode, properties: Any
    ) -> None:
        if reason_code is not None and reason_code.is_failure and self.refusal is None:
            self.refusal = str(reason_code)
        confirmed = self._posted.pop(mid, None)
        if confirmed is not None:
            confirmed()
            return
        super()._on_publish(client, userdata, mid, reason_code, properties)

    def _on_disconnect(
        self, client: Any, userdata: Any, flags: Any, reason_code: Any, properties: Any = None
    ) -> None:
        # The library asks for the outcome of a cancelled attempt in a callback, which then fails.
        if not self._connected.cancelled():
            super()._on_disconnect(client, userdata, flags, reason_code, properties)

    async def leave(self) -> None:
        """Disconnect, by an MQTT DISCONNECT if the broker still takes it."""
        with contextlib.suppress(MqttError, OSError, TimeoutError):
            async with asyncio.timeout(STOP_WITHIN_S):
                await self.__aexit__(None, None, None)
        self.hang_up()

    def hang_up(self) -> None:
        """Close the connection of a client that was never accepted; the library leaves it open."""
        self._client.disconnect()
        # The exception is read here, else asyncio would log it. We report the loss ourselves.
        if self._disconnected.done() and not self._disconnected.cancelled():
            self._disconnected.exception()


class _TlsSocket(ssl.SSLSocket):
    """A socket that closes itself if the handshake fails; the library leaves it open."""

    def do_handshake(self, block: bool = False) -> None:
        try:
            super().do_handshake(block)
        except OSError:
            self.close()
            raise


def tls_context(settings: BrokerSettings) -> ssl.SSLContext | None:
    """Checks the broker's certificate and name. Reads files; raises BrokerRefused."""
    if not settings.tls:
        return None
    try:
        certificates = (
            None
            if settings.ca_file is None
            else read_text(settings.ca_file, LARGEST_CERTIFICATES_BYTES)
        )
        if certificates is not None and "BEGIN CERTIFICATE" not in certificates:
            # For an empty text the library would use the computer's own certificates.
            raise ValueError("it holds no certificate")
        context = ssl.create_default_context(cadata=certificates)
    except (OSError, UnicodeDecodeError, ValueError) as error:  # ssl.SSLError is an OSError too
        reason = error if isinstance(error, ssl.SSLError | ValueError) else why(error)
        raise BrokerRefused(
            f"the CA file cannot be used: {reason}.",
            where=str(settings.ca_file),
            advice="It must hold the certificate, in PEM form, of whoever signed the broker's.",
        ) from error
    context.sslsocket_class = _TlsSocket
    context.minimum_version = ssl.TLSVersion.TLSv1_2
    return context


@asynccontextmanager
async def connected(
    settings: BrokerSettings,
    *,
    version: aiomqtt.ProtocolVersion,
    will: aiomqtt.Will,
    context: ssl.SSLContext | None,
) -> AsyncIterator[Client]:
    """A connected client. Raises WrongProtocol, BrokerRefused or BrokerLost if it fails.

    The session is clean: nothing that was ordered while the daemon was away is carried out
    later, least of all a stale `ready`.
    """
    is_5 = version is aiomqtt.ProtocolVersion.V5
    client = Client(
        hostname=settings.host,
        port=settings.port,
        username=settings.username,
        password=settings.password,
        identifier=settings.client_id,
        protocol=version,
        will=will,
        clean_session=None if is_5 else True,
        clean_start=True if is_5 else 3,
        keepalive=settings.keepalive_s,
        timeout=math.inf,
        tls_context=context,
        # The queue has no limit: the library drops messages when it is full, although it has
        # acknowledged them. Our reader takes every message at once, and `publish.inbox` limits
        # what waits there.
        max_queued_incoming_messages=None,
        max_inflight_messages=settings.window,
        logger=_log,
    )
    client.pending_calls_threshold = settings.window + 10
    client.answer_within_s = settings.timeout_s
    await _enter(client, settings)
    try:
        yield client
    finally:
        await client.leave()


async def _enter(client: Client, settings: BrokerSettings) -> None:
    # Connecting runs in a thread, which cannot be cancelled: it is waited for, not abandoned.
    entering = asyncio.ensure_future(client.__aenter__())
    try:
        await asyncio.wait({entering}, timeout=settings.timeout_s)
    except asyncio.CancelledError:
        await asyncio.wait({entering}, timeout=STOP_WITHIN_S)
        if entering.done() and entering.exception() is None:
            await client.leave()
            raise
        entering.cancel()
        client.hang_up()
        raise
    if not entering.done():
        entering.cancel()
        client.hang_up()
        silent = BrokerLost(
            "the broker took the connection but fell silent.", where=settings.address
        )
        silent.fell_silent = True
        raise silent
    error = entering.exception()
    if isinstance(error, (MqttError, OSError)):
        client.hang_up()
        raise _explained(error, settings) from error
    if error is not None:
        raise error


def _explained(error: Exception, settings: BrokerSettings) -> BenchdError:
    where = settings.address
    if isinstance(error, MqttConnectError):
        code = error.rc.value if isinstance(error.rc, ReasonCode) else error.rc
        if code in _WRONG_PROTOCOL:
            return WrongProtocol("the broker does not speak this version of MQTT.", where=where)
        if code in _NOT_ALLOWED:
            user = f"user {settings.username}" if settings.username else "a client without a user"
            return BrokerRefused(
                f"the broker does not let {user} in ({error.rc}).",
                where=where,
                advice="Check user and password; no need to restart, it is tried again.",
            )
    text = str(error)
    if "CERTIFICATE_VERIFY_FAILED" in text:
        return BrokerRefused(
            f"the broker's certificate is not trusted ({text}).",
            where=where,
            advice="Give the CA file that signed it, and use the name that stands in it.",
        )
    return BrokerLost(f"the broker cannot be reached ({text}).", where=where)


def lost(error: Exception, settings: BrokerSettings) -> BrokerLost:
    """The BrokerLost for a connection that broke."""
    detail = str(error)
    if isinstance(error, MqttCodeError) and error.__cause__ is not None:
        detail = f"{detail}: {error.__cause__}"
    return BrokerLost(f"the connection to the broker broke ({detail}).", where=settings.address)


def publish_properties(
    *, expiry_s: int | None = None, correlation: bytes | None = None
) -> Properties | None:
    """MQTT 5.0 properties of a message; None if there are none."""
    if expiry_s is None and correlation is None:
        return None
    properties = Properties(PacketTypes.PUBLISH)  # type: ignore[no-untyped-call]
    if expiry_s is not None:
        properties.MessageExpiryInterval = expiry_s
    if correlation is not None:
        properties.CorrelationData = correlation
    return properties
