"""A broker inside the daemon, for a bench that has none of its own.

For live fan-out on this machine only: it listens on loopback, speaks MQTT 3.1.1, and forgets
everything when it stops, retained messages included; the outbox sends the newest states again
at every start. Whoever needs more points `--broker` to a real one.
"""

from __future__ import annotations

import asyncio
import ipaddress
import logging
import secrets
from collections.abc import Mapping
from types import TracebackType
from typing import TYPE_CHECKING, Self

import structlog

from benchd.errors import UserError
from benchd.publish.settings import BrokerSettings, client_id_for
from benchd.publish.topics import Topics

if TYPE_CHECKING:
    from amqtt.broker import Broker

log = structlog.get_logger(__name__)

STOP_WITHIN_S = 2.0
_RULES = "benchd.publish.embedded_rules"


class EmbeddedBroker:
    """Runs in the event loop that starts it. Use as an async context manager.

    accounts: name to password, for those who may give orders.
    guests: whether clients without a user name may read.
    port: 0 for any free one.
    """

    def __init__(
        self,
        bench: str,
        *,
        host: str = "127.0.0.1",
        port: int = 0,
        accounts: Mapping[str, str] | None = None,
        guests: bool = True,
        root: str = "benchd",
    ) -> None:
        """Raises UserError for an address that others could reach, or if amqtt is missing."""
        if not ipaddress.ip_address(host).is_loopback:
            raise UserError(
                f"the embedded broker listens on this machine only, not on {host}.",
                advice="Use a broker of its own for other machines, and give its URL.",
            )
        try:
            # Here and not in `start`: importing it takes most of a second, in which the event
            # loop would stand still.
            from amqtt.broker import Broker

            from benchd.publish.embedded_rules import DAEMON
        except ImportError as error:
            raise UserError(
                "the embedded broker is not installed.",
                advice='Install it (pip install "benchd[embedded]"), or give the URL of a broker.',
            ) from error
        if accounts and DAEMON in accounts:
            raise UserError(f"the account name {DAEMON} is the daemon's own.")
        self._make_broker = Broker
        self._bench = bench
        self._host = host
        self._port = port
        self._accounts = dict(accounts or {})
        self._guests = guests
        self._root = root
        self._password = secrets.token_urlsafe(32)
        self._broker: Broker | None = None
        self._server: asyncio.Server | None = None
        self._connections: dict[asyncio.Task[None], asyncio.StreamWriter] = {}

    async def start(self) -> None:
        """Listen. Raises UserError if the port is taken."""
        from benchd.publish.embedded_rules import DAEMON, hashed

        for name in ("amqtt", "transitions"):
            # It reports every message and every closed connection as if that were news.
            logging.getLogger(name).setLevel(logging.CRITICAL)
        passwords = {**self._accounts, DAEMON: self._password}
        bind = f"[{self._host}]" if ":" in self._host else self._host
        config = {
            # We listen ourselves and hand connections over: its own listener cannot tell which
            # port the system chose, and leaves connections open when it stops.
            "listeners": {"default": {"type": "external", "bind": "-"}},
            "plugins": {
                f"{_RULES}.Entry": {
                    "accounts": {name: hashed(password) for name, password in passwords.items()},
                    "guests": self._guests,
                },
                f"{_RULES}.Gate": {"orders": Topics(self._bench, self._root).orders},
            },
        }
        broker = self._make_broker(config)
        await broker.start()
        self._broker = broker
        try:
            self._server = await asyncio.start_server(self._serve, self._host, self._port)
        except OSError as error:
            await self.stop()
            raise UserError(
                f"the embedded broker cannot listen on {bind}:{self._port}: {error.strerror}.",
                advice="Another program may use that port; choose another.",
            ) from error
        self._port = self._server.sockets[0].getsockname()[1]

    async def _serve(self, reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        broker, task = self._broker, asyncio.current_task()
        if broker is None or task is None:
            writer.transport.abort()
            return
        self._connections[task] = writer
        try:
            await broker.stream_connected(reader, writer, "default")
        except (OSError, asyncio.IncompleteReadError) as error:
            log.debug("a client went without a word", error=str(error))
        finally:
            writer.transport.abort()
            del self._connections[task]

    async def stop(self) -> None:
        """Hang up on everyone and forget everything."""
        if self._server is not None:
            self._server.close()
            self._server = None
        if self._broker is not None:
            broker, self._broker = self._broker, None
            await broker.shutdown()
        for writer in self._connections.values():
            writer.transport.abort()
        tasks = set(self._connections)
        if tasks:
            _, slow = await asyncio.wait(tasks, timeout=STOP_WITHIN_S)
            for task in slow:
                task.cancel()
            await asyncio.gather(*slow, return_exceptions=True)

    @property
    def url(self) -> str:
        """For subscribers on this machine."""
        host = f"[{self._host}]" if ":" in self._host else self._host
        return f"mqtt://{host}:{self._port}"

    @property
    def settings(self) -> BrokerSettings:
        """For the pump; valid once started."""
        from benchd.publish.embedded_rules import DAEMON

        return BrokerSettings(
            host=self._host,
            port=self._port,
            client_id=client_id_for(self._bench),
            username=DAEMON,
            password=self._password,
            protocol="3.1.1",
            root=self._root,
        )

    async def __aenter__(self) -> Self:
        await self.start()
        return self

    async def __aexit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        await self.stop()
