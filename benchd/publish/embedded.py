"""A broker inside the daemon, for a bench that has none of its own.

For live fan-out on this machine only: it listens on loopback, speaks MQTT 3.1.1, and forgets
everything when it stops, retained messages included; the outbox sends the newest states again
at every start. It takes orders from nobody. Whoever needs more points `--broker` to a real one.
"""

from __future__ import annotations

import asyncio
import ipaddress
import logging
import secrets
import sys
from collections.abc import Mapping
from types import TracebackType
from typing import TYPE_CHECKING, Self

import structlog

from benchd.errors import UserError
from benchd.publish.embedded_packet_check import (
    CONNECT_WITHIN_S,
    LARGEST_GUEST_PACKET_BYTES,
    LARGEST_PACKET_BYTES,
    NO_ROOM,
    BadPacket,
    PacketCheck,
    Refused,
)
from benchd.publish.settings import BrokerSettings, client_id_for
from benchd.publish.topics import Topics

if TYPE_CHECKING:
    from benchd.publish.embedded_rules import GuardedBroker, Outlet, Rules

log = structlog.get_logger(__name__)

STOP_WITHIN_S = 2.0
MOST_GUESTS = 200
MOST_UNCHECKED = 50
"""Most connections that have not yet sent a CONNECT. With one more, the oldest of them is
closed."""
LOOK_EVERY_S = 5.0
MOST_LOOKS = 6
"""A client is disconnected if it has read nothing at this many checks in a row although messages
wait for it. These would fill the memory of the daemon."""
_RULES = "benchd.publish.embedded_rules"


class EmbeddedBroker:
    """Runs in the event loop that starts it. Use as an async context manager.

    accounts: name to password, for those who may read where guests may not.
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
            import amqtt.broker  # noqa: F401

            from benchd.publish.embedded_rules import DAEMON, GuardedBroker
        except ImportError as error:
            raise UserError(
                "the embedded broker is not installed.",
                advice=f"Install it ({sys.executable} -m pip install 'benchd[embedded]'), or give "
                "the URL of a broker.",
            ) from error
        if accounts and DAEMON in accounts:
            raise UserError(f"the account name {DAEMON} is the daemon's own.")
        self._make_broker = GuardedBroker
        self._bench = bench
        self._host = host
        self._port = port
        self._accounts = dict(accounts or {})
        self._guests = guests
        self._root = root
        self._orders = Topics(bench, root).orders
        self._password = secrets.token_urlsafe(32)
        self._broker: GuardedBroker | None = None
        self._rules: Rules | None = None
        self._server: asyncio.Server | None = None
        self._connections: dict[asyncio.Task[None], asyncio.StreamWriter] = {}
        self._outlets: dict[asyncio.Task[None], Outlet] = {}
        self._watcher: asyncio.Task[None] | None = None
        self._unchecked: dict[asyncio.Task[None], asyncio.StreamWriter] = {}

    async def start(self) -> None:
        """Listen. Raises UserError if the port is taken."""
        from benchd.publish.embedded_rules import DAEMON, Rules, hashed

        for name in ("amqtt", "transitions"):
            # The library logs every message and every closed connection, which is too much.
            logging.getLogger(name).setLevel(logging.CRITICAL)
        passwords = {**self._accounts, DAEMON: self._password}
        accounts = {name: hashed(password) for name, password in passwords.items()}
        bind = f"[{self._host}]" if ":" in self._host else self._host
        config = {
            # We listen ourselves and hand connections over: its own listener cannot tell which
            # port the system chose, and leaves connections open when it stops.
            "listeners": {"default": {"type": "external", "bind": "-"}},
            "plugins": {
                f"{_RULES}.Entry": {"accounts": accounts, "guests": self._guests},
                f"{_RULES}.Gate": {"orders": self._orders},
            },
        }
        broker = self._make_broker(config, orders=self._orders)
        await broker.start()
        self._broker = broker
        self._rules = Rules(accounts, self._guests, client_id_for(self._bench))
        try:
            self._server = await asyncio.start_server(self._serve, self._host, self._port)
        except OSError as error:
            await self.stop()
            raise UserError(
                f"the embedded broker cannot listen on {bind}:{self._port}: {error.strerror}.",
                advice="Another program may use that port; choose another.",
            ) from error
        self._port = self._server.sockets[0].getsockname()[1]
        self._watcher = asyncio.create_task(self._watch(), name="embedded broker")

    async def _watch(self) -> None:
        """Disconnect clients that do not read."""
        seen: dict[Outlet, tuple[int, int]] = {}
        while True:
            await asyncio.sleep(LOOK_EVERY_S)
            before, seen = seen, {}
            for outlet in tuple(self._outlets.values()):
                taken, looks = before.get(outlet, (-1, 0))
                if outlet.bytes_waiting == 0 or outlet.bytes_taken != taken:
                    seen[outlet] = (outlet.bytes_taken, 0)
                elif looks + 1 < MOST_LOOKS:
                    seen[outlet] = (taken, looks + 1)
                else:
                    log.warning("a client that reads nothing is hung up on")
                    outlet.hang_up()

    async def _serve(self, reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        task = asyncio.current_task()
        if self._broker is None or task is None:
            writer.transport.abort()
            return
        self._connections[task] = writer
        try:
            await self._let_in(task, reader, writer)
        except (OSError, asyncio.IncompleteReadError, BadPacket, Refused) as error:
            log.debug("a client went or was sent away", reason=str(error))
        finally:
            writer.transport.abort()
            self._unchecked.pop(task, None)
            self._outlets.pop(task, None)
            del self._connections[task]

    async def _let_in(
        self, task: asyncio.Task[None], reader: asyncio.StreamReader, writer: asyncio.StreamWriter
    ) -> None:
        """Check who the client is, then serve it. Raises OSError, IncompleteReadError, BadPacket,
        Refused."""
        from benchd.publish.embedded_rules import Outlet

        assert self._broker is not None
        assert self._rules is not None
        self._unchecked[task] = writer
        if len(self._unchecked) > MOST_UNCHECKED:
            next(iter(self._unchecked.values())).transport.abort()
        checked = PacketCheck(reader, writer.transport.abort)
        try:
            async with asyncio.timeout(CONNECT_WITHIN_S):
                connect = await checked.connect()
            is_daemon = self._rules.admit(connect)
            guests = len(self._connections) - len(self._unchecked)
            if not is_daemon and guests >= MOST_GUESTS:
                raise Refused(NO_ROOM, f"{MOST_GUESTS} clients are connected already")
        except Refused as refused:
            writer.write(bytes((0x20, 2, 0, refused.code)))  # CONNACK (3.2)
            async with asyncio.timeout(CONNECT_WITHIN_S):
                await writer.drain()
                writer.close()
                await writer.wait_closed()
            raise
        finally:
            self._unchecked.pop(task, None)
        checked.let_in(LARGEST_PACKET_BYTES if is_daemon else LARGEST_GUEST_PACKET_BYTES)
        self._outlets[task] = outlet = Outlet(writer)
        await self._broker.external_connected(checked, outlet, "default")

    async def stop(self) -> None:
        """Disconnect all clients and drop all messages."""
        if self._watcher is not None:
            self._watcher.cancel()
            await asyncio.gather(self._watcher, return_exceptions=True)
            self._watcher = None
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
            takes_orders=False,
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
