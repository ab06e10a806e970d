"""What happens on one connection: presence, a self-test, the outbox, orders."""

from __future__ import annotations

import asyncio
import ssl
from contextlib import suppress
from datetime import UTC, datetime
from typing import Literal, Protocol

import aiomqtt
import structlog
from aiomqtt import Message, MqttError, ProtocolVersion

from benchd.errors import BenchdError
from benchd.publish.connection import (
    STOP_WITHIN_S,
    BrokerRefused,
    Client,
    connected,
    lost,
    publish_properties,
)
from benchd.publish.epoch_check import EpochCheck, NotSuccessor
from benchd.publish.inbox import Envelope, Inbox
from benchd.publish.orders import OrderBook
from benchd.publish.outbox_sender import OutboxSender, Source
from benchd.publish.payloads import EpochMessage, PresenceMessage, ReplyMessage
from benchd.publish.rf import RfTopic
from benchd.publish.settings import BrokerSettings
from benchd.publish.stale_readings import StaleReadings
from benchd.publish.topics import Topics
from benchd.store import Mark
from benchd.store.ids import new_id

log = structlog.get_logger(__name__)

PRESENCE_AGAIN_S = 5.0


class Host(Source, Protocol):
    """The methods of the pump that a session uses."""

    bench: str
    version: str
    settings: BrokerSettings
    topics: Topics
    orders: OrderBook | None
    rf: RfTopic | None
    succession: EpochCheck

    def readings_to_clear(self, client: Client) -> StaleReadings | None:
        """What looks for stale readings; None where that was done since the daemon's start."""
        ...

    def readings_are_clear(self) -> None:
        """All readings that the broker kept were looked at."""
        ...

    async def open_jobs(self) -> set[str]:
        """Ids of the jobs that have not ended."""
        ...

    def has_connected(self, protocol: str) -> None:
        """The session works."""
        ...


class Session:
    """One connection. `run` ends by raising BrokerLost, BrokerRefused, WrongProtocol, NotSuccessor
    or StoreError, or by being cancelled, which says `offline` first."""

    def __init__(
        self, pump: Host, version: ProtocolVersion, context: ssl.SSLContext | None
    ) -> None:
        self._pump = pump
        self._topics = pump.topics
        self._version = version
        self._context = context
        self._id = new_id("con")
        self._echo = asyncio.Event()
        self._usurped = asyncio.Event()
        self._inbox: Inbox | None = None
        self._stale: StaleReadings | None = None

    async def run(self) -> None:
        """Serve until the connection breaks."""
        will = aiomqtt.Will(
            self._topics.presence, self._presence("offline", "lost"), qos=1, retain=True
        )
        async with connected(
            self._pump.settings, version=self._version, will=will, context=self._context
        ) as client:
            # A task of its own, waited for: only so can a cancellation from outside be told
            # from the cancelling that a task group does when one of its tasks fails.
            serving = asyncio.create_task(self._serve(client), name="mqtt session")
            try:
                await asyncio.wait({serving})
            except asyncio.CancelledError:
                if not serving.done():
                    await self._say_goodbye(client)
                raise
            finally:
                serving.cancel()
                await asyncio.wait({serving})
        raise self._cause(serving)

    async def _say_goodbye(self, client: Client) -> None:
        with suppress(MqttError, TimeoutError):
            async with asyncio.timeout(STOP_WITHIN_S):
                if self._pump.rf is not None:
                    await self._pump.rf.tell(client)
                await self._say(client, "offline", "stopped")

    async def _serve(self, client: Client) -> None:
        if self._pump.orders is not None:

            async def reply(message: ReplyMessage, to: Envelope) -> None:
                await self._reply(client, message, to)

            self._inbox = Inbox(self._pump.orders, reply, self._pump.open_jobs)
        async with asyncio.TaskGroup() as tasks:
            # Without a reader, a lost broker is noticed only when a publish runs into its timeout.
            tasks.create_task(self._read(client), name="mqtt reader")
            await self._introduce(client)
            if self._pump.rf is not None:
                tasks.create_task(self._pump.rf.keep(client), name="mqtt rf")
            self._stale = self._pump.readings_to_clear(client)
            if self._stale is not None:
                tasks.create_task(self._clear(self._stale), name="mqtt stale readings")
            sender = OutboxSender(
                self._pump,
                client,
                self._topics.base,
                self._topics.epoch,
                window=self._pump.settings.window,
                speaks_5=self._version is ProtocolVersion.V5,
            )
            tasks.create_task(sender.run(), name="mqtt outbox")
            tasks.create_task(self._keep_presence(client), name="mqtt presence")
            if self._inbox is not None:
                tasks.create_task(self._inbox.run(), name="mqtt inbox")

    def _cause(self, serving: asyncio.Task[None]) -> BaseException:
        """What ended the session: a fault in benchd if there is one, else the first exception."""
        error = None if serving.cancelled() else serving.exception()
        if error is None:
            return RuntimeError("the session ended by itself")
        leaves = _leaves(error)
        lost_by = [one for one in leaves if isinstance(one, MqttError)]
        others = [one for one in leaves if not isinstance(one, MqttError)]
        known = (BenchdError, NotSuccessor)
        faults = [one for one in others if not isinstance(one, known)]
        if faults or others:
            return (faults or others)[0]
        return lost(lost_by[0], self._pump.settings)

    # --- presence -----------------------------------------------------------------------

    def _presence(
        self, state: Literal["online", "offline"], reason: Literal["started", "stopped", "lost"]
    ) -> str:
        epoch = self._pump.succession.current
        return PresenceMessage(
            bench=self._pump.bench,
            state=state,
            reason=reason,
            at=datetime.now(UTC),
            session=self._id,
            version=self._pump.version,
            epoch=epoch.epoch,
            epoch_first=epoch.first,
            sequence=epoch.handed,
        ).to_json()

    async def _say(
        self,
        client: Client,
        state: Literal["online", "offline"],
        reason: Literal["started", "stopped"],
    ) -> None:
        await client.send(self._topics.presence, self._presence(state, reason), retain=True)

    async def _introduce(self, client: Client) -> None:
        """Publish `online` and wait until the broker returns it: some brokers silently drop
        messages that they do not allow."""
        topics = [self._topics.presence]
        if self._pump.orders is not None:
            topics.append(self._topics.orders)
        for topic in topics:
            if not await client.hear(topic):
                raise self._no_access("reading", topic)
        # The broker sends its retained mark of our epoch before it returns our next message. If we
        # have no access to that topic, we go on: the marks on this computer say the same.
        await client.hear(self._topics.epoch)
        await self._say(client, "online", "started")
        if client.refusal is not None:
            raise self._no_access("writing", self._topics.presence)
        try:
            async with asyncio.timeout(self._pump.settings.timeout_s):
                await self._echo.wait()
        except TimeoutError:
            raise self._no_access("writing or reading", self._topics.presence) from None
        await client.send(self._topics.epoch, self._pump.epoch_message(), qos=0, retain=True)
        self._pump.has_connected("5.0" if self._version is ProtocolVersion.V5 else "3.1.1")

    def _no_access(self, what: str, topic: str) -> BrokerRefused:
        return BrokerRefused(
            f"the broker does not allow {what} {topic}.",
            where=self._pump.settings.address,
            advice=self._needed_access(),
        )

    def _needed_access(self) -> str:
        return f"Its access rules must allow this user to read and write {self._topics.base}/#."

    async def _clear(self, stale: StaleReadings) -> None:
        await stale.run()
        self._pump.readings_are_clear()

    async def _keep_presence(self, client: Client) -> None:
        """Publish `online` again if the last will of an earlier connection has replaced it."""
        while True:
            await self._usurped.wait()
            self._usurped.clear()
            await self._say(client, "online", "started")
            # The limit keeps two daemons of one name from replacing each other's message for ever.
            await asyncio.sleep(PRESENCE_AGAIN_S)

    # --- incoming -----------------------------------------------------------------------

    async def _read(self, client: Client) -> None:
        async for message in client.messages:
            if self._stale is not None and self._stale.take(message):
                continue
            if str(message.topic) == self._topics.presence:
                self._hear_presence(message)
            elif str(message.topic) == self._topics.epoch:
                self._hear_epoch(message)
            elif self._inbox is not None and str(message.topic) == self._topics.orders:
                self._hear_order(self._inbox, message)

    def _hear_epoch(self, message: Message) -> None:
        """Raises NotSuccessor if the broker keeps a mark that our database cannot have left."""
        if not message.retain:
            return  # the broker returns this daemon's own message
        try:
            heard = EpochMessage.model_validate_json(message.payload)
        except ValueError:
            return
        where = f"the broker at {self._pump.settings.address}"
        mark = Mark(heard.epoch, heard.sequence, where)
        if reason := self._pump.succession.contradiction(mark):
            raise NotSuccessor(reason)

    def _hear_order(self, inbox: Inbox, message: Message) -> None:
        payload = bytes(message.payload)
        if message.retain:
            # A broker sends a retained order again at every connection, which nobody intends.
            log.warning("retained order ignored", bench=self._pump.bench, size=len(payload))
            return
        # MQTT 5.0, 4.10.1: the response topic and the correlation data of the sender.
        wanted = getattr(message.properties, "ResponseTopic", None)
        usable = wanted is not None and self._may_reply_to(wanted)
        correlation = getattr(message.properties, "CorrelationData", None)
        inbox.take(payload, Envelope(wanted if usable else None, correlation if usable else None))

    def _hear_presence(self, message: Message) -> None:
        try:
            heard = PresenceMessage.model_validate_json(message.payload)
        except ValueError:
            self._usurped.set()
            return
        if heard.session == self._id:
            self._echo.set()
        elif not message.retain:
            self._usurped.set()

    async def _reply(self, client: Client, reply: ReplyMessage, to: Envelope) -> None:
        text = reply.to_json()
        await client.send(self._topics.reply, text)
        if to.response_topic is not None:
            properties = publish_properties(correlation=to.correlation)
            # Quality 0: a refused topic must not look as if the broker refused our results.
            await client.send(to.response_topic, text, qos=0, properties=properties)

    def _may_reply_to(self, topic: str) -> bool:
        """Whether to answer on a topic that a sender names: not on one of this bench, of another
        bench, or of the broker itself."""
        root = self._pump.settings.root
        inside = topic.startswith(f"{root}/") or topic == root
        usable = bool(topic) and len(topic) <= 256 and not set(topic) & set("+#\0")
        return usable and not topic.startswith("$") and not inside


def _leaves(error: BaseException) -> list[BaseException]:
    if isinstance(error, BaseExceptionGroup):
        return [leaf for one in error.exceptions for leaf in _leaves(one)]
    return [error]
