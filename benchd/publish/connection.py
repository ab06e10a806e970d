"""One connection to a broker, with cures for what the client library leaves open.

A new client for every attempt: a used one sends "failed" messages once more, and one whose
connecting was cancelled stays locked.
"""

from __future__ import annotations

import asyncio
import contextlib
import logging
import ssl
from collections.abc import AsyncIterator, Iterable
from contextlib import asynccontextmanager
from typing import Any

import aiomqtt
from aiomqtt import MqttCodeError, MqttError
from aiomqtt.exceptions import MqttConnectError
from paho.mqtt.packettypes import PacketTypes
from paho.mqtt.properties import Properties
from paho.mqtt.reasoncodes import ReasonCode

from benchd.errors import BenchdError
from benchd.publish.settings import BrokerSettings

STOP_WITHIN_S = 2.0
MOST_INCOMING = 200
# MQTT 5.0, table 2.4; the library maps the codes of 3.1.1 to the same.
_WRONG_PROTOCOL = {132}
_NOT_ALLOWED = {134, 135, 138}
_NO_ANSWER = "Operation timed out"  # the library's words for a broker that sends no CONNACK
_log = logging.getLogger(__name__)


class BrokerRefused(BenchdError):
    """The broker is there, but does not let us in or does not let us publish."""

    family = "broker-refused"


class BrokerLost(BenchdError):
    """The broker cannot be reached or stopped answering.

    fell_silent: something took our connection and then never answered.
    """

    family = "broker-lost"
    fell_silent = False


class WrongProtocol(BenchdError):
    """The broker does not speak this version of MQTT."""

    family = "broker-refused"


class Client(aiomqtt.Client):
    """Remembers the first refusal of a published message.

    An MQTT 5.0 broker says in its acknowledgement that it threw a message away (no access, quota
    exceeded); the library does not look at it. At 3.1.1 no broker can say so.
    """

    refusal: str | None = None

    def _on_publish(
        self, client: Any, userdata: Any, mid: int, reason_code: ReasonCode, properties: Any
    ) -> None:
        if reason_code is not None and reason_code.is_failure and self.refusal is None:
            self.refusal = str(reason_code)
        super()._on_publish(client, userdata, mid, reason_code, properties)

    def hang_up(self) -> None:
        """Close the connection of a client that never got in, which nothing else would do."""
        self._client.disconnect()

    def mark_retrieved(self) -> None:
        """Keep asyncio from reporting the loss of the connection, which we report ourselves."""
        if self._disconnected.done() and not self._disconnected.cancelled():
            self._disconnected.exception()


def tls_context(settings: BrokerSettings) -> ssl.SSLContext | None:
    """Checks the broker's certificate and name. Reads files; raises BrokerRefused."""
    if not settings.tls:
        return None
    try:
        context = ssl.create_default_context(
            cafile=None if settings.ca_file is None else str(settings.ca_file)
        )
    except OSError as error:  # ssl.SSLError is one too
        raise BrokerRefused(
            f"the CA file cannot be used: {error}.",
            where=str(settings.ca_file),
            advice="It must hold the certificate, in PEM form, of whoever signed the broker's.",
        ) from error
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
        timeout=settings.timeout_s,
        tls_context=context,
        max_queued_incoming_messages=MOST_INCOMING,
        max_inflight_messages=settings.window,
        logger=_log,
    )
    client.pending_calls_threshold = settings.window + 10
    try:
        await _enter(client)
    except (MqttError, OSError) as error:
        client.hang_up()
        raise _explained(error, settings) from error
    try:
        yield client
    finally:
        client.timeout = STOP_WITHIN_S
        with contextlib.suppress(MqttError):
            await client.__aexit__(None, None, None)
        client.mark_retrieved()


async def _enter(client: Client) -> None:
    # Connecting runs in a thread, which cannot be cancelled: wait for it, then hang up.
    entering = asyncio.ensure_future(client.__aenter__())
    try:
        await asyncio.shield(entering)
    except asyncio.CancelledError:
        with contextlib.suppress(MqttError, OSError, TimeoutError):
            async with asyncio.timeout(STOP_WITHIN_S):
                await entering
            client.timeout = STOP_WITHIN_S
            await client.__aexit__(None, None, None)
        client.hang_up()
        client.mark_retrieved()
        raise


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
    unreachable = BrokerLost(f"the broker cannot be reached ({text}).", where=where)
    unreachable.fell_silent = text == _NO_ANSWER
    return unreachable


def lost(error: Exception, settings: BrokerSettings) -> BrokerLost:
    """A connection that broke."""
    detail = str(error)
    if isinstance(error, MqttCodeError) and error.__cause__ is not None:
        detail = f"{detail}: {error.__cause__}"
    return BrokerLost(f"the connection to the broker broke ({detail}).", where=settings.address)


def refused_subscriptions(codes: Iterable[Any]) -> bool:
    """True if a SUBACK holds a refusal, which the library does not raise (128 and above)."""
    return any((code.value if isinstance(code, ReasonCode) else int(code)) >= 128 for code in codes)


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
