"""Where the HTTP API listens and what it lets in."""

from __future__ import annotations

import ipaddress
from dataclasses import dataclass

from benchd.errors import UserError

TOKEN_LEAST_LENGTH = 16


@dataclass(frozen=True, slots=True)
class HttpSettings:
    """Bounds and door-keeping of the HTTP API.

    host, port: where it listens; port 0 takes any free one.
    token: needed in `Authorization: Bearer ...` by every request, if set. It must be set where
        `host` is not a loopback address; there, put TLS in front.
    names: further names (`bench.lan`, without port) that a request's Host header may carry.
    body_limit_bytes: longest request body.
    body_timeout_s: longest time that a whole body may take to arrive.
    header_timeout_s: longest time from a connection's start, or from the last answer on it, to
        the end of a request's headers.
    write_timeout_s: longest time that a client may leave what was sent to it unread.
    connection_limit: most connections at once; one more takes the place of one that waits.
    request_limit: most requests that are answered at once, event streams apart.
    reserve: further requests for orders that make things safer (withdraw, health, RF off).
    keep_alive_s: silence after which an event stream carries a comment line.
    stream_limit: most event streams at once.
    """

    host: str = "127.0.0.1"
    port: int = 8520
    token: str | None = None
    names: tuple[str, ...] = ()
    body_limit_bytes: int = 1 << 20
    body_timeout_s: float = 15.0
    header_timeout_s: float = 10.0
    write_timeout_s: float = 30.0
    connection_limit: int = 200
    request_limit: int = 64
    reserve: int = 16
    keep_alive_s: float = 15.0
    stream_limit: int = 32

    def __post_init__(self) -> None:
        if self.token is not None and len(self.token) < TOKEN_LEAST_LENGTH:
            raise UserError(
                f"the HTTP token has {len(self.token)} characters, at least "
                f"{TOKEN_LEAST_LENGTH} are needed.",
                advice="Make one with: python3 -c 'import secrets; print(secrets.token_hex())'",
            )
        if self.token is None and not is_loopback(self.host):
            raise UserError(
                f"HTTP would listen on {self.host}, where others can reach it, without a token.",
                advice="Listen on 127.0.0.1, or give a token and put TLS in front.",
            )

    @property
    def url(self) -> str:
        """The API's address for a client on the same computer."""
        host = f"[{self.host}]" if ":" in self.host else self.host
        return f"http://{host}:{self.port}"


def is_loopback(host: str) -> bool:
    """True for localhost and loopback addresses; False for any other name."""
    if host.lower() == "localhost":
        return True
    try:
        return ipaddress.ip_address(host).is_loopback
    except ValueError:
        return False
