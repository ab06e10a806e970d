"""A broker inside the daemon, for a bench that has none of its own.

For live fan-out on this machine only: it listens on loopback, speaks MQTT 3.1.1, and forgets
everything when it stops, retained messages included; the outbox sends the newest states again
at every start. Whoever needs more points `--broker` to a real one.
"""

from __future__ import annotations

import ipaddress
import logging
import secrets
from collections.abc import Mapping
from types import TracebackType
from typing import TYPE_CHECKING, Self

from benchd.errors import UserError
from benchd.publish.settings import BrokerSettings, client_id_for
from benchd.publish.topics import Topics

if TYPE_CHECKING:
    from amqtt.broker import Broker

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
        """Raises UserError for an address that others could reach."""
        if not ipaddress.ip_address(host).is_loopback:
            raise UserError(
                f"the embedded broker listens on this machine only, not on {host}.",
                advice="Use a broker of its own for other machines, and give its URL.",
            )
        self._bench = bench
        self._host = host
        self._port = port
        self._accounts = dict(accounts or {})
        self._guests = guests
        self._root = root
        self._password = secrets.token_urlsafe(32)
        self._broker: Broker | None = None

    async def start(self) -> None:
        """Listen. Raises UserError if the port is taken or amqtt is not installed."""
        try:
            from amqtt.broker import Broker
            from amqtt.errors import BrokerError

            from benchd.publish.embedded_rules import DAEMON, hashed
        except ImportError as error:
            raise UserError(
                "the embedded broker is not installed.",
                advice='Install it (pip install "benchd[embedded]"), or give the URL of a broker.',
            ) from error
        if DAEMON in self._accounts:
            raise UserError(f"the account name {DAEMON} is the daemon's own.")
        for name in ("amqtt", "transitions"):
            # It reports every message and every closed connection as if that were news.
            logging.getLogger(name).setLevel(logging.CRITICAL)
        passwords = {**self._accounts, DAEMON: self._password}
        bind = f"[{self._host}]" if ":" in self._host else self._host
        config = {
            "listeners": {"default": {"type": "tcp", "bind": f"{bind}:{self._port}"}},
            "plugins": {
                f"{_RULES}.Entry": {
                    "accounts": {name: hashed(password) for name, password in passwords.items()},
                    "guests": self._guests,
                },
                f"{_RULES}.Gate": {"orders": Topics(self._bench, self._root).orders},
            },
        }
        broker = Broker(config)
        try:
            await broker.start()
        except BrokerError as error:
            raise UserError(
                f"the embedded broker cannot listen on {bind}:{self._port}: {error}.",
                advice="Another program may use that port; choose another.",
            ) from error
        # Its only record of the port that the system chose.
        sockets = broker._servers["default"].instance.sockets
        self._port = sockets[0].getsockname()[1]
        self._broker = broker

    async def stop(self) -> None:
        """Hang up on everyone and forget everything."""
        if self._broker is not None:
            broker, self._broker = self._broker, None
            await broker.shutdown()

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
