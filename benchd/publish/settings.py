"""Where the broker is, and how to speak to it."""

from __future__ import annotations

import hashlib
import ipaddress
import re
from dataclasses import dataclass, field
from pathlib import Path
from typing import Literal
from urllib.parse import unquote, urlsplit

from benchd.errors import UserError
from benchd.store.topics import encode_part
from benchd.untrusted import LARGEST_SECRET_BYTES, read_text, why

Protocol = Literal["auto", "3.1.1", "5.0"]
LONGEST_ROOT = 200
_PORTS = {"mqtt": 1883, "mqtts": 8883}
_EXAMPLE = 'such as "mqtts://benchd@broker.example:8883"'


@dataclass(frozen=True, slots=True)
class BrokerSettings:
    """A broker and how to speak to it.

    client_id: must stay the same for a bench. With a new one at each start, the will of a
        predecessor whose connection hangs would overwrite "online" later.
    protocol: `auto` tries 5.0, then 3.1.1.
    keepalive_s: a silent broker is noticed after twice this time.
    window: how many messages may be unconfirmed at once.
    takes_orders: whether orders that come from there are carried out. The broker on board
        cannot tell people apart, so that its orders are not even listened to.
    """

    host: str
    port: int
    client_id: str
    tls: bool = False
    username: str | None = None
    password: str | None = field(default=None, repr=False)
    ca_file: Path | None = None
    protocol: Protocol = "auto"
    root: str = "benchd"
    keepalive_s: int = 15
    timeout_s: float = 10.0
    window: int = 20
    takes_orders: bool = True

    @property
    def address(self) -> str:
        """The address in words, without the password."""
        host = f"[{self.host}]" if ":" in self.host else self.host
        return f"{'mqtts' if self.tls else 'mqtt'}://{host}:{self.port}"

    @property
    def sends_password_in_clear(self) -> bool:
        """True where anyone on the way can read the password."""
        return self.password is not None and not self.tls and not _is_loopback(self.host)

    @classmethod
    def from_url(
        cls,
        url: str,
        *,
        bench: str,
        password_file: Path | None = None,
        ca_file: Path | None = None,
        protocol: Protocol = "auto",
        root: str = "benchd",
    ) -> BrokerSettings:
        """From `mqtt://` or `mqtts://`, with user and port where needed.

        A password is better kept in a file than in the URL, which others can see in the list of
        processes. Raises UserError.
        """
        try:
            parts = urlsplit(url)
            port = parts.port
        except ValueError as error:
            raise UserError(
                f"the broker URL cannot be read: {error}; expected {_EXAMPLE}."
            ) from error
        if parts.scheme not in _PORTS:
            raise UserError(
                f'the broker URL begins with "{parts.scheme}"; expected mqtt or mqtts, {_EXAMPLE}.'
            )
        if not parts.hostname:
            raise UserError(f"the broker URL names no host; expected {_EXAMPLE}.")
        if parts.path.strip("/") or parts.query or parts.fragment:
            raise UserError(f"the broker URL holds more than host and port; expected {_EXAMPLE}.")
        tls = parts.scheme == "mqtts"
        if ca_file is not None and not tls:
            raise UserError("a CA file is given, but the broker URL says mqtt, not mqtts.")
        username = None if parts.username is None else unquote(parts.username)
        password = None if parts.password is None else unquote(parts.password)
        if password_file is not None:
            password = _read_password(password_file)
        if password is not None and not username:
            raise UserError(f"a password is given, but no user; expected {_EXAMPLE}.")
        return cls(
            host=parts.hostname,
            port=port or _PORTS[parts.scheme],
            client_id=client_id_for(bench),
            tls=tls,
            username=username,
            password=password,
            ca_file=ca_file,
            protocol=protocol,
            root=root,
        )


def check_root(root: str) -> None:
    """Raises UserError where topics cannot begin so: see `benchd.store.topics` for the rules."""
    try:
        fits = 0 < len(root) <= LONGEST_ROOT and all(
            level and encode_part(level) == level for level in root.split("/")
        )
    except ValueError:
        fits = False
    if not fits:
        raise UserError(
            f'"{root[:60]}" is no root for topics.',
            where="--topic-root",
            advice='Give one or more names with "/" between them, such as "workshop/benchd", '
            f'without "+", "#", "%", a leading "$" or control characters, {LONGEST_ROOT} '
            "characters at most.",
        )


def client_id_for(bench: str) -> str:
    """The client id of a bench: the same at every start.

    Every broker must take 1 to 23 characters out of 0-9, a-z, A-Z (MQTT 3.1.1, 3.1.3.1); a bench
    whose name does not fit gets a hash instead.
    """
    name = f"benchd{bench}"
    if re.fullmatch(r"[0-9A-Za-z]{7,23}", name):
        return name
    return f"benchd{hashlib.sha256(bench.encode()).hexdigest()[:17]}"


def _read_password(path: Path) -> str:
    try:
        text = read_text(path, LARGEST_SECRET_BYTES)
    except (OSError, UnicodeDecodeError) as error:
        raise UserError(
            f"the password file cannot be read: {why(error)}.", where=str(path)
        ) from error
    password = text.removesuffix("\n").removesuffix("\r")
    if not password or "\n" in password:
        raise UserError("the password file must hold one line.", where=str(path))
    return password


def _is_loopback(host: str) -> bool:
    try:
        return ipaddress.ip_address(host).is_loopback
    except ValueError:
        return host == "localhost"
