"""Who may enter the embedded broker, and what they may publish there.

The daemon publishes everything but orders, nobody else publishes anything, all who are let in may
read. So nobody gives orders through this broker: whoever wants to has the HTTP API, or a broker
that can tell people apart.

amqtt loads `Entry` and `Gate` by their names. Its own password plug-in uses a hash made slow on
purpose, and would stop the daemon's event loop for a tenth of a second at every connection. The
passwords here live in memory only, never in a file that could be stolen, so a salted SHA-256 and a
comparison in constant time are enough.
"""

from __future__ import annotations

import asyncio
import hashlib
import hmac
import secrets
from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Any

from amqtt.adapters import StreamWriterAdapter
from amqtt.broker import Broker
from amqtt.contexts import Action
from amqtt.plugins.base import BaseAuthPlugin, BaseTopicPlugin
from amqtt.session import Session

from benchd.publish.embedded_packet_check import NOT_ALLOWED, WRONG_CLIENT_ID, Connect, Refused

DAEMON = "benchd"


def hashed(password: str, salt: str | None = None) -> str:
    """`salt$hash`, for `Entry.Config.accounts`."""
    salt = secrets.token_hex(16) if salt is None else salt
    digest = hashlib.sha256(f"{salt}{password}".encode()).hexdigest()
    return f"{salt}${digest}"


def fits(accounts: Mapping[str, str], username: str, password: str | None) -> bool:
    """Whether it is the password of that account (name to `hashed` password)."""
    known = accounts.get(username, "")
    given = hashed(password or "", known.partition("$")[0])
    return hmac.compare_digest(given.encode(), known.encode())


@dataclass(frozen=True, slots=True)
class Rules:
    """Who is let in. accounts: name to `hashed` password. client_id: the daemon's own."""

    accounts: Mapping[str, str]
    guests: bool
    client_id: str

    def admit(self, connect: Connect) -> bool:
        """Whether it is the daemon that comes in. Raises Refused for whom is not let in.

        With the daemon's client id somebody could take over its session. Nobody else has a last
        will: amqtt publishes wills for whoever leaves them.
        """
        if connect.username is None:
            if not self.guests:
                raise Refused(NOT_ALLOWED, "guests are not let in")
        elif not fits(self.accounts, connect.username, connect.password):
            raise Refused(NOT_ALLOWED, "the password is wrong")
        is_daemon = connect.username == DAEMON
        if connect.client_id == self.client_id and not is_daemon:
            raise Refused(WRONG_CLIENT_ID, "that client id is the daemon's own")
        if connect.has_will and not is_daemon:
            raise Refused(NOT_ALLOWED, "only the daemon leaves a last will here")
        return is_daemon


def may_publish(session: Session | None, topic: str | None, orders: str) -> bool:
    """Whether a message may go out: one of the daemon's own that is no order."""
    if session is None or topic is None or topic == orders:
        return False
    return bool(session.username == DAEMON)


class Entry(BaseAuthPlugin):  # type: ignore[misc]
    """amqtt's own question for the password. It holds also for a client whose CONNECT was not
    checked by `embedded_packet_check`."""

    @dataclass
    class Config:
        """accounts: name to `hashed` password."""

        accounts: dict[str, str] = field(default_factory=dict)
        guests: bool = False

    async def authenticate(self, *, session: Session) -> bool:
        """True lets the client in."""
        if session.username is None:
            session.is_anonymous = True
            return bool(self.config.guests)
        return fits(self.config.accounts, session.username, session.password)


class Gate(BaseTopicPlugin):  # type: ignore[misc]
    """Decides on topics: amqtt calls it before each subscription, PUBLISH and delivery."""

    @dataclass
    class Config:
        """orders: the topic on which nothing is published."""

        orders: str = ""

    async def topic_filtering(
        self,
        *,
        session: Session | None = None,
        topic: str | None = None,
        action: Action | None = None,
    ) -> bool:
        """True allows it."""
        if action is not Action.PUBLISH:
            return True
        return may_publish(session, topic, self.config.orders)


class GuardedBroker(Broker):  # type: ignore[misc]
    """Asks `may_publish` for every message, last wills and messages of plug-ins included.

    amqtt itself asks its plug-ins for a PUBLISH only. These two methods are the ways out for
    all messages: to those who are connected, and to those who come later.
    """

    def __init__(self, config: dict[str, Any], *, orders: str) -> None:
        super().__init__(config)
        self._orders = orders

    async def _broadcast_message(
        self, session: Session | None, topic: str | None, *args: Any, **kwargs: Any
    ) -> None:
        if may_publish(session, topic, self._orders):
            await super()._broadcast_message(session, topic, *args, **kwargs)

    async def retain_message(
        self, source_session: Session | None, topic_name: str | None, *args: Any, **kwargs: Any
    ) -> None:
        """Keep a message for whoever subscribes later."""
        if may_publish(source_session, topic_name, self._orders):
            await super().retain_message(source_session, topic_name, *args, **kwargs)


class Outlet(StreamWriterAdapter):  # type: ignore[misc]
    """The connection to one client; counts the bytes that the client has taken."""

    def __init__(self, writer: asyncio.StreamWriter) -> None:
        super().__init__(writer)
        self._transport = writer.transport
        self._written = 0

    def write(self, data: bytes) -> None:
        """Queue bytes for the client."""
        self._written += len(data)
        super().write(data)

    @property
    def bytes_waiting(self) -> int:
        """Number of bytes that wait in this program for the client."""
        return self._transport.get_write_buffer_size()

    @property
    def bytes_taken(self) -> int:
        """Number of bytes that have left this program so far."""
        return self._written - self.bytes_waiting

    def hang_up(self) -> None:
        """End the connection and discard the waiting bytes."""
        self._transport.abort()
