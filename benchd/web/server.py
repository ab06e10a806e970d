"""Running the API inside the daemon: no signal handlers, no exit, and a stop that ends."""

from __future__ import annotations

import asyncio
import contextlib
import socket
from collections.abc import Iterator

import uvicorn

from benchd.engine.desk import BenchDesk
from benchd.errors import UserError
from benchd.web.access import Guard
from benchd.web.app import create_app
from benchd.web.connections import end_late_connections, protocol_for
from benchd.web.events import Streams
from benchd.web.settings import HttpSettings

STOP_LIMIT_S = 2.0
HEADER_LIMIT_BYTES = 16 << 10
BACKLOG = 128


def open_socket(settings: HttpSettings) -> socket.socket:
    """Listen where the settings say. Raises UserError where the port is taken or not ours."""
    family = socket.AF_INET6 if ":" in settings.host else socket.AF_INET
    try:
        return socket.create_server((settings.host, settings.port), family=family, backlog=BACKLOG)
    except (OSError, OverflowError) as error:
        raise UserError(
            f"cannot listen on {settings.url}: {error}.",
            where="HTTP",
            advice="Is another benchd running? Choose another port with --http HOST:PORT.",
        ) from error


class _Server(uvicorn.Server):
    @contextlib.contextmanager
    def capture_signals(self) -> Iterator[None]:
        """Signals belong to the daemon."""
        yield


async def serve_http(
    desk: BenchDesk,
    settings: HttpSettings,
    ready_event: asyncio.Event | None = None,
    *,
    listener: socket.socket | None = None,
) -> None:
    """Serve until cancelled. Sets `ready_event` when requests are answered.

    listener: a socket from `open_socket`, for a caller that wants to know the port, or to know
        that it is free before starting anything else. It is closed at the end.
    Raises UserError where the address cannot be listened on.
    After cancellation: event streams have ended, running requests had STOP_LIMIT_S to finish.
    """
    listener = listener if listener is not None else open_socket(settings)
    streams = Streams(desk, settings)
    config = uvicorn.Config(
        Guard(create_app(desk, streams), settings),
        lifespan="off",
        log_config=None,
        access_log=False,
        server_header=False,
        proxy_headers=False,
        ws="none",
        http=protocol_for(settings),
        h11_max_incomplete_event_size=HEADER_LIMIT_BYTES,
        backlog=BACKLOG,
        timeout_graceful_shutdown=int(STOP_LIMIT_S),
    )
    server = _Server(config)
    sweeping = asyncio.create_task(
        end_late_connections(server.server_state.connections, settings), name="end late connections"
    )
    serving = asyncio.create_task(server.serve(sockets=[listener]), name="http server")
    try:
        await _until_started(server, serving)
        if ready_event is not None:
            ready_event.set()
        await asyncio.shield(serving)
    finally:
        streams.close()
        server.should_exit = True
        with contextlib.suppress(TimeoutError):
            async with asyncio.timeout(2 * STOP_LIMIT_S):
                await asyncio.wait({serving})
        serving.cancel()
        sweeping.cancel()
        listener.close()


async def _until_started(server: uvicorn.Server, serving: asyncio.Task[None]) -> None:
    while not server.started:
        if serving.done():
            serving.result()
            raise RuntimeError("the HTTP server ended before it had started")
        await asyncio.sleep(0.005)
