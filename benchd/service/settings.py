"""Everything that `benchd serve` is told."""

from __future__ import annotations

from dataclasses import dataclass, field
from pathlib import Path


@dataclass(frozen=True, slots=True)
class ServiceSettings:
    """Settings of one daemon.

    bench: the bench file.
    data: folder of the database and the lock; made where it does not exist.
    recipes: folders of recipe files, searched before the shipped ones.
    http_host, http_port: where the HTTP API listens; port 0 takes any free one.
    token: needed by every HTTP request where set.
    broker: `embedded`, `none`, or mqtt[s]://[user@]host[:port].
    broker_password_file: holds the password on its first line.
    broker_ca: PEM file with the certificate authority of a TLS broker.
    embedded_port: port of the embedded broker on loopback; 0 takes any free one.
    addresses: instrument name -> resource string, in place of the bench file's address.
    trace_points: publish every capture's level, thinned to so many points; 0 does not.
    """

    bench: Path
    data: Path
    recipes: list[Path] = field(default_factory=list)
    http_host: str = "127.0.0.1"
    http_port: int = 8520
    token: str | None = None
    broker: str = "embedded"
    broker_password_file: Path | None = None
    broker_ca: Path | None = None
    embedded_port: int = 1883
    addresses: dict[str, str] = field(default_factory=dict)
    trace_points: int = 0
