"""The daemon as the commands see it: its HTTP API, with errors for the person at the keyboard.

The library for HTTP is imported by whoever asks the daemon: `--help` and the daemon's own start,
which load this file, need not wait for it.
"""

from __future__ import annotations

import json
import re
import time
from collections.abc import Callable, Iterator, Mapping
from dataclasses import dataclass
from datetime import UTC, tzinfo
from functools import cached_property
from types import TracebackType
from typing import TYPE_CHECKING, Any
from zoneinfo import ZoneInfoNotFoundError

from benchd.errors import BenchdError, UserError
from benchd.moments import zone_named

if TYPE_CHECKING:
    import httpx

DEFAULT_URL = "http://127.0.0.1:8520"
TIMEOUT_S = 60.0  # a reduction of a long night may take a while
CONNECT_TIMEOUT_S = 5.0
STREAM_SILENCE_S = 60.0  # the daemon sends a comment every 15 s
RECONNECT_FOR_S = 30.0
_PATH = re.compile(r"(/(?:[A-Za-z0-9_-]|%[0-9A-F]{2})(?:[A-Za-z0-9_.-]|%[0-9A-F]{2})*)+")


class NoDaemon(BenchdError):
    """Nothing answers where the daemon should be."""

    family = "no-daemon"

    def __init__(self, url: str) -> None:
        super().__init__(
            f"No daemon answers at {url}.",
            advice="Start one: benchd serve --bench FILE. If one was killed, a source may still be "
            "on: benchd rf-off",
        )


class DaemonRefused(BenchdError):
    """The daemon answered with an error, which this carries."""

    def __init__(self, document: Mapping[str, Any]) -> None:
        super().__init__(
            str(document.get("message", "no reason given")),
            where=_where(document),
            advice=str(document.get("advice", "")),
        )
        self.family = str(document.get("family", "error"))
        self.problems = list(document.get("problems") or [])


def _where(document: Mapping[str, Any]) -> str:
    where = str(document.get("where", ""))
    return "" if where.startswith(("HTTP", "GET ", "POST ")) else where


@dataclass(frozen=True, slots=True)
class StreamEvent:
    """One event from the daemon; `kind` is "begin" once for each (re)connection."""

    kind: str
    data: Any


class Daemon:
    """A client of one daemon. Use as a context manager."""

    def __init__(
        self,
        url: str,
        token: str | None = None,
        damaged: Callable[[str], None] = lambda text: None,
    ) -> None:
        """damaged: is called with what the daemon's lists had to leave out."""
        import httpx

        self.damaged = damaged
        self.url = url.rstrip("/")
        headers = {"authorization": f"Bearer {token}"} if token else {}
        timeout = httpx.Timeout(TIMEOUT_S, connect=CONNECT_TIMEOUT_S)
        try:
            # No proxy from the environment: the bench stands beside us. Certificates are read only
            # where there is one to look at, since that takes as long as to ask for all jobs.
            self._http = httpx.Client(
                base_url=self.url, headers=headers, timeout=timeout, trust_env=False,
                verify=not self.url.lower().startswith("http://"),
            )  # fmt: skip
        except (httpx.InvalidURL, ValueError) as error:
            raise BenchdError(f'"{url}" is not an address of a daemon: {error}') from error

    def __enter__(self) -> Daemon:
        return self

    def __exit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        self._http.close()

    def get(self, path: str, **parameters: Any) -> Any:
        """GET an address; parameters that are None are left out."""
        given = {key: value for key, value in parameters.items() if value is not None}
        return self._ask("GET", path, params=given)

    def health(self) -> dict[str, Any]:
        """How the daemon is. Its status 503 is an answer too: somebody must be woken."""
        answer = self._request("GET", "/api/health")
        try:
            document = answer.json()
        except ValueError:
            document = None
        if isinstance(document, dict) and "version" in document:
            return document
        found = self._read(answer)
        return found if isinstance(found, dict) else {}

    @cached_property
    def zone(self) -> tzinfo:
        """The time zone of the daemon's bench: windows are meant and times are shown in it.

        UTC where the daemon does not know of zones, as earlier ones did not.
        """
        try:
            document = self.get("/api/bench")
            return zone_named(str(document["timezone"]))
        except DaemonRefused as refusal:
            if refusal.family != "not-found":
                raise
        except (KeyError, TypeError, ValueError, ZoneInfoNotFoundError):
            pass
        return UTC

    def post(
        self, path: str, body: Any = None, *, within_s: float = TIMEOUT_S, **parameters: Any
    ) -> Any:
        """POST to an address; parameters that are None are left out. within_s: longest wait."""
        import httpx

        given = {key: value for key, value in parameters.items() if value is not None}
        timeout = httpx.Timeout(within_s, connect=CONNECT_TIMEOUT_S)
        return self._ask("POST", path, json=body, params=given, timeout=timeout)

    def delete(self, path: str, **parameters: Any) -> Any:
        """DELETE an address; parameters that are None are left out."""
        given = {key: value for key, value in parameters.items() if value is not None}
        return self._ask("DELETE", path, params=given)

    def _ask(self, method: str, path: str, **more: Any) -> Any:
        if not _PATH.fullmatch(path):
            # An id with a slash or a line break would ask for another address than was meant.
            raise UserError(
                f"{path.removeprefix('/api/')!r} holds an id that none can be.",
                advice="Ids hold letters, digits and hyphens, as `benchd jobs`, `benchd captures` "
                "and `benchd results` show them.",
            )
        return self._read(self._request(method, path, **more))

    def _request(self, method: str, path: str, **more: Any) -> httpx.Response:
        import httpx

        try:
            return self._http.request(method, path, **more)
        except (httpx.TransportError, httpx.UnsupportedProtocol) as error:
            raise self._unreachable(error) from error

    def _unreachable(self, error: Exception) -> BenchdError:
        import httpx

        if isinstance(error, (httpx.ReadTimeout, httpx.WriteTimeout)):
            return BenchdError(
                f"The daemon at {self.url} did not answer within {TIMEOUT_S:g} s.",
                advice="Its log may say why.",
            )
        return NoDaemon(self.url)

    def _read(self, answer: httpx.Response) -> Any:
        try:
            document = answer.json()
        except ValueError:
            document = None
        damaged = answer.headers.get("x-benchd-damaged")
        if damaged is not None:
            self.damaged(damaged)
        if answer.is_success and document is not None:
            return document
        if isinstance(document, dict) and "message" in document:
            raise DaemonRefused(document)
        raise BenchdError(
            f"What answers at {self.url} is not a benchd daemon (HTTP {answer.status_code}).",
            advice="Give the daemon's address with --daemon or in BENCHD_DAEMON.",
        )

    def events(self) -> Iterator[StreamEvent]:
        """Events from now on, across lost connections; each connection begins with "begin".

        Read the bench's state at each "begin": what changes after it will come as an event.
        Raises NoDaemon when the daemon has been away for RECONNECT_FOR_S.
        """
        import httpx

        last: str | None = None
        deadline: float | None = None
        while True:
            try:
                for event_id, event in self._stream(last):
                    deadline = None
                    last = event_id or last
                    yield event
            except (httpx.TransportError, httpx.StreamError) as error:
                if isinstance(error, httpx.ConnectError) and last is None and deadline is None:
                    raise NoDaemon(self.url) from error
            now = time.monotonic()
            deadline = deadline if deadline is not None else now + RECONNECT_FOR_S
            if now > deadline:
                raise NoDaemon(self.url)
            time.sleep(0.3)

    def live(self) -> Iterator[StreamEvent]:
        """What is told of the live look, on one connection: once lost, it is over. Raises
        BenchdError."""
        import httpx

        try:
            for _, event in self._stream(None, "/api/live/stream"):
                yield event
        except (httpx.TransportError, httpx.StreamError) as error:
            raise self._unreachable(error) from error

    def _stream(
        self, last: str | None, path: str = "/api/events"
    ) -> Iterator[tuple[str | None, StreamEvent]]:
        import httpx

        headers = {} if last is None else {"last-event-id": last}
        timeout = httpx.Timeout(STREAM_SILENCE_S, connect=CONNECT_TIMEOUT_S)
        with self._http.stream("GET", path, headers=headers, timeout=timeout) as answer:
            if not answer.is_success:
                answer.read()
                self._read(answer)
            fields: dict[str, str] = {}
            for line in answer.iter_lines():
                if line:
                    name, _, value = line.partition(":")
                    fields[name] = value.removeprefix(" ")
                    continue
                if "retry" in fields:
                    yield None, StreamEvent("begin", None)
                elif "data" in fields:
                    event = StreamEvent(fields.get("event", ""), json.loads(fields["data"]))
                    yield fields.get("id"), event
                fields = {}
