"""The doorkeeper: what a request must bring before any of it is looked at.

Five checks, in this order: the Host header (a page on the internet must not reach the bench by
pointing its own name at 127.0.0.1), the Origin header (nor by sending a form across), the token,
the length of the body, and whether there is room to answer. A client on the same computer is not
trusted more than that. Orders that make things safer have room of their own.
"""

from __future__ import annotations

import asyncio
import hmac
import re
from collections.abc import Iterable
from urllib.parse import urlsplit

from starlette.types import ASGIApp, Message, Receive, Scope, Send

from benchd.web.documents import to_text
from benchd.web.page import is_page_file
from benchd.web.settings import HttpSettings, is_loopback

_SECURITY_HEADERS = [
    (b"x-content-type-options", b"nosniff"),
    (b"cache-control", b"no-store"),
    (b"content-security-policy", b"default-src 'none'; frame-ancestors 'none'"),
    (b"referrer-policy", b"no-referrer"),
]
MOST_HEADER_LINES = 100
MOST_HEADER_BYTES = 16 << 10
# Event streams are counted by themselves; they stay open for hours.
_STREAMS = ("/api/events", "/api/live/stream")
_SAFER = re.compile(r"POST /api/jobs/[^/]*/(withdraw|stop)|GET /api/health|DELETE /api/live")


def refusal(status: int, message: str, *, family: str = "refused", advice: str = "") -> bytes:
    """The JSON body of an error, in the one form that all errors have."""
    return to_text(
        {"family": family, "where": f"HTTP {status}", "message": message, "advice": advice}
    ).encode()


class _Refused(Exception):
    def __init__(self, status: int, message: str, advice: str = "") -> None:
        self.status, self.message, self.advice = status, message, advice
        super().__init__(message)


class Guard:
    """ASGI middleware around the whole API."""

    def __init__(self, app: ASGIApp, settings: HttpSettings) -> None:
        self._app = app
        self._settings = settings
        self._answering = 0

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        if scope["type"] != "http":
            if scope["type"] == "lifespan":
                await self._app(scope, receive, send)
            return

        async def send_guarded(message: Message) -> None:
            if message["type"] == "http.response.start":
                own = list(message.get("headers", []))
                named = {name for name, _ in own}
                more = [one for one in _SECURITY_HEADERS if one[0] not in named]
                message["headers"] = [*own, *more]
            await send(message)

        try:
            self._admit(scope)
            body = await _read_body(receive, self._settings)
        except _Refused as refused:
            await _answer(send_guarded, refused)
            return
        if body is None:
            return
        counted = scope["path"] not in _STREAMS
        if counted and self._answering >= self._room_for(scope):
            await _answer(send_guarded, _busy(self._answering))
            return
        self._answering += counted
        try:
            await self._app(scope, _Replay(body, receive).receive, send_guarded)
        finally:
            self._answering -= counted

    def _room_for(self, scope: Scope) -> int:
        """Most requests that may be under way for this one to be taken too."""
        safer = _SAFER.fullmatch(f"{scope['method']} {scope['path']}") is not None
        return self._settings.request_limit + (self._settings.reserve if safer else 0)

    def _admit(self, scope: Scope) -> None:
        lines: list[tuple[bytes, bytes]] = list(scope["headers"])
        if len(lines) > MOST_HEADER_LINES or sum(map(_size, lines)) > MOST_HEADER_BYTES:
            raise _Refused(
                431,
                f"the headers hold more than {MOST_HEADER_LINES} lines or {MOST_HEADER_BYTES} "
                "bytes.",
            )
        hosts = _header(scope, b"host")
        host = hosts[0] if len(hosts) == 1 else ""
        if not self._known_host(host):
            raise _Refused(
                403,
                f'this bench does not answer to the host name "{host[:100]}".',
                "Use the address that benchd serve printed.",
            )
        if self._settings.token is None:
            self._check_origin(scope, host)
        elif not _is_page_file(scope):
            self._check_token(scope)
        lengths = _header(scope, b"content-length")
        if any(not re.fullmatch("[0-9]{1,18}", text) for text in lengths):
            raise _Refused(400, "the Content-Length header is not a number.")
        if any(int(text) > self._settings.body_limit_bytes for text in lengths):
            raise _too_large(self._settings)

    def _known_host(self, host: str) -> bool:
        name = _host_name(host)
        if not name:
            return False
        if is_loopback(name) or name in (self._settings.host.lower(), *self._settings.names):
            return True
        # On an open address the names it is reached by are unknown; the token guards it there.
        return self._settings.token is not None and not is_loopback(self._settings.host)

    def _check_origin(self, scope: Scope, host: str) -> None:
        for origin in _header(scope, b"origin"):
            if urlsplit(origin).netloc.lower() != host.lower():
                raise _Refused(403, "requests from pages of other sites are not taken.")
        if _header(scope, b"sec-fetch-site") and any(
            site not in ("same-origin", "none") for site in _header(scope, b"sec-fetch-site")
        ):
            raise _Refused(403, "requests from pages of other sites are not taken.")

    def _check_token(self, scope: Scope) -> None:
        given = _header(scope, b"authorization")
        wanted = f"Bearer {self._settings.token}".encode()
        if len(given) != 1 or not hmac.compare_digest(given[0].encode("latin-1"), wanted):
            raise _Refused(
                401,
                "the token is missing or wrong.",
                "Send it as Authorization: Bearer TOKEN; the commands read BENCHD_TOKEN.",
            )


async def _read_body(receive: Receive, settings: HttpSettings) -> bytes | None:
    """The whole body, or None where the client went away. Raises _Refused."""
    parts = bytearray()
    end_s = asyncio.get_running_loop().time() + settings.body_timeout_s
    while True:
        try:
            async with asyncio.timeout_at(end_s):
                message = await receive()
        except TimeoutError:
            raise _Refused(408, "the request's body did not arrive in time.") from None
        if message["type"] == "http.disconnect":
            return None
        parts += message.get("body", b"")
        if len(parts) > settings.body_limit_bytes:
            raise _too_large(settings)
        if not message.get("more_body", False):
            return bytes(parts)


class _Replay:
    """Hands the body that was read over to the application, then waits for what comes after."""

    def __init__(self, body: bytes, receive: Receive) -> None:
        self._first: Message | None = {"type": "http.request", "body": body, "more_body": False}
        self._receive = receive

    async def receive(self) -> Message:
        message, self._first = self._first, None
        return message if message is not None else await self._receive()


def _is_page_file(scope: Scope) -> bool:
    accept = ",".join(_header(scope, b"accept"))
    return is_page_file(scope["method"], scope["path"], accept)


def _too_large(settings: HttpSettings) -> _Refused:
    return _Refused(413, f"the body is longer than {settings.body_limit_bytes} bytes.")


def _busy(answering: int) -> _Refused:
    return _Refused(503, f"{answering} requests are being answered.", "Wait a little, ask again.")


def _size(line: tuple[bytes, bytes]) -> int:
    return len(line[0]) + len(line[1])


def _header(scope: Scope, name: bytes) -> list[str]:
    headers: Iterable[tuple[bytes, bytes]] = scope["headers"]
    return [value.decode("latin-1") for key, value in headers if key == name]


def _host_name(host: str) -> str:
    """The name of a Host header without its port; "" where it is not one."""
    try:
        parts = urlsplit(f"//{host}")
        _ = parts.port  # raises ValueError on nonsense
    except ValueError:
        return ""
    if parts.netloc != host or parts.username is not None:
        return ""
    return (parts.hostname or "").lower()


async def _answer(send: Send, refused: _Refused) -> None:
    body = refusal(refused.status, refused.message, advice=refused.advice)
    headers = [
        (b"content-type", b"application/json"),
        (b"content-length", str(len(body)).encode()),
        (b"connection", b"close"),
    ]
    if refused.status == 503:
        headers.append((b"retry-after", b"1"))
    if refused.status == 401:
        headers.append((b"www-authenticate", b"Bearer"))
    await send({"type": "http.response.start", "status": refused.status, "headers": headers})
    await send({"type": "http.response.body", "body": body})
