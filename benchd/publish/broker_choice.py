"""Which broker a daemon publishes to, as `benchd serve` is told it, and opening that broker."""

from __future__ import annotations

from collections.abc import AsyncIterator
from contextlib import asynccontextmanager
from dataclasses import dataclass
from pathlib import Path

from benchd.errors import UserError
from benchd.publish.embedded import EmbeddedBroker
from benchd.publish.settings import BrokerSettings, Protocol, check_root

EMBEDDED, NONE = "embedded", "none"


@dataclass(frozen=True, slots=True)
class PublishSettings:
    """What is published, and where.

    broker: `embedded`, `none`, or mqtt[s]://[user@]host[:port].
    password_file: holds the broker's password on its first line.
    ca_file: PEM file with the certificate authority of a TLS broker.
    protocol: version of MQTT; `auto` tries 5.0, then 3.1.1.
    root: the topic below which every bench publishes; it may have several levels.
    embedded_port: port of the embedded broker on loopback; 0 takes any free one.
    trace_points: publish every capture's level, thinned to so many points at most; 0 does not.
    """

    broker: str = EMBEDDED
    password_file: Path | None = None
    ca_file: Path | None = None
    protocol: Protocol = "auto"
    root: str = "benchd"
    embedded_port: int = 1883
    trace_points: int = 0

    def __post_init__(self) -> None:
        """Raises UserError for a root that is no topic, or a protocol the broker does not speak."""
        check_root(self.root)
        if self.broker == EMBEDDED and self.protocol == "5.0":
            raise UserError(
                "the broker on board speaks MQTT 3.1.1, not 5.0.",
                where="--broker-protocol",
                advice="Leave the option out, or give the URL of a broker that speaks 5.0.",
            )
        if self.trace_points == 1:
            raise UserError(
                "one point is no trace.",
                where="--trace-points",
                advice="Give 2 or more, or 0 to publish none.",
            )

    @asynccontextmanager
    async def opened(self, bench: str) -> AsyncIterator[tuple[BrokerSettings | None, bool]]:
        """The broker for one bench (None: publish nothing), and whether it starts empty.

        A broker that starts empty gets every newest state again. Raises UserError.
        """
        if self.broker == NONE:
            yield None, False
        elif self.broker == EMBEDDED:
            async with EmbeddedBroker(bench, port=self.embedded_port, root=self.root) as broker:
                yield broker.settings, True
        else:
            yield (
                BrokerSettings.from_url(
                    self.broker,
                    bench=bench,
                    password_file=self.password_file,
                    ca_file=self.ca_file,
                    protocol=self.protocol,
                    root=self.root,
                ),
                False,
            )
