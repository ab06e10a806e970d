"""Putting the rooms together, and taking them apart in the right order.

Start: claim the bench, listen, RF off (verified), recover, work. A start that fails switches RF
off too, once the bench is claimed. Stop (SIGTERM, SIGINT, or a closed terminal's SIGHUP): the
sweep at hand ends within a tenth of a second, RF goes off, what is committed stays committed,
subscribers read `offline`, everything is closed. A job that was under way goes on at the next
start as its recipe says.
"""

from __future__ import annotations

import asyncio
import json
import logging
import signal
import socket
import sys
from collections.abc import AsyncIterator, Callable, Coroutine, Iterator
from contextlib import AsyncExitStack, asynccontextmanager, contextmanager, suppress
from pathlib import Path
from typing import Any, TextIO, cast

import structlog

import recipes as shipped
from benchd.bench import Bench, load_bench
from benchd.engine.desk import BenchDesk
from benchd.engine.events import EventHub
from benchd.engine.library import StoreThread
from benchd.engine.queue import JobQueue
from benchd.engine.recipes import RecipeShelf
from benchd.engine.rig import BenchThread, Rig
from benchd.engine.runner import Runner
from benchd.errors import UserError
from benchd.publish import BrokerSettings, EmbeddedBroker, Pump
from benchd.service.settings import ServiceSettings
from benchd.store import Store, StoreFull
from benchd.store.claim import Claim
from benchd.web.server import open_socket, serve_http
from benchd.web.settings import HttpSettings

_log = structlog.get_logger(__name__)

PUBLISH_AGAIN_S = 30.0


class _Stop(Exception):
    """Asked to stop."""


def shipped_recipes() -> Path:
    """The folder of recipes that come with benchd."""
    return Path(next(iter(shipped.__path__)))


async def serve(settings: ServiceSettings) -> None:
    """Run one daemon until SIGTERM, SIGINT or SIGHUP.

    Prints one line of JSON on stdout when it is ready: {"ready": true, "bench", "http", "broker"}.
    Raises BenchdError for what is wrong with the settings. Once the bench is claimed, RF is off
    afterwards on every way out: whatever ran this bench before may have left it on.
    """
    _log_to_stderr()
    bench = load_bench(settings.bench)
    if settings.addresses:
        bench = bench.with_addresses(settings.addresses)
    http = HttpSettings(host=settings.http_host, port=settings.http_port, token=settings.token)
    rig = Rig(bench)
    async with AsyncExitStack() as stack:
        stopping = stack.enter_context(_stopped_by_signals())
        database = _folder(settings.data) / "benchd.sqlite"
        stack.enter_context(_claimed(database, bench.bench))
        bench_thread = BenchThread(bench.bench, rig.stop)
        stack.callback(bench_thread.close)
        stack.push_async_callback(bench_thread.run, rig.close)
        store_thread = StoreThread()
        stack.callback(store_thread.close)
        store = await store_thread.call(Store.open, database)
        stack.callback(store.close)
        listener = stack.enter_context(open_socket(http))
        port = listener.getsockname()[1]
        http = HttpSettings(host=http.host, port=port, token=http.token)
        hub = EventHub()
        stack.callback(hub.close)
        runner = Runner(
            bench=bench,
            store=store,
            store_thread=store_thread,
            rig=rig,
            bench_thread=bench_thread,
            hub=hub,
            trace_points=settings.trace_points,
        )
        queue = JobQueue(
            bench_name=bench.bench,
            store=store,
            store_thread=store_thread,
            rig=rig,
            bench_thread=bench_thread,
            runner=runner,
            hub=hub,
        )
        desk = BenchDesk(
            bench=bench,
            shelf=RecipeShelf([*settings.recipes, shipped_recipes()]),
            store=store,
            store_thread=store_thread,
            rig=rig,
            runner=runner,
            queue=queue,
            hub=hub,
        )
        broker, restate = await stack.enter_async_context(_broker(bench, settings))

        def pump(restate: bool) -> Pump:
            assert broker is not None
            return Pump(store, bench.bench, broker, handler=desk, restate=restate)

        publishing = None if broker is None else _publish(pump, restate)
        address = None if broker is None else broker.address
        await _run(stopping, queue, publishing, desk, http, listener, hub, address)


def _folder(path: Path) -> Path:
    """The data folder, made where it does not exist. Raises UserError."""
    try:
        path.mkdir(parents=True, exist_ok=True)
    except OSError as error:
        raise UserError(
            f"the data folder cannot be made: {error.strerror}.",
            where=str(path),
            advice="Choose another with --data, or make it and allow benchd to write there.",
        ) from error
    return path


def _claimed(database: Path, bench: str) -> Claim:
    """Own the bench. Raises BenchClaimed, StoreReadOnly, StoreFull."""
    try:
        return Claim(database, bench)
    except OSError as error:
        raise StoreFull(
            f"the bench cannot be claimed: {error.strerror}.",
            where=str(database.parent),
            advice="Free some space on that disk, then start again.",
        ) from error


@contextmanager
def _stopped_by_signals() -> Iterator[asyncio.Event]:
    """An event that is set when somebody asks to stop, or the terminal is closed.

    In force to the very end: a second Ctrl-C must not come between benchd and RF off.
    """
    stopping = asyncio.Event()
    loop = asyncio.get_running_loop()
    numbers = (signal.SIGTERM, signal.SIGINT, signal.SIGHUP)
    for number in numbers:
        loop.add_signal_handler(number, stopping.set)
    try:
        yield stopping
    finally:
        for number in numbers:
            loop.remove_signal_handler(number)


@asynccontextmanager
async def _broker(
    bench: Bench, settings: ServiceSettings
) -> AsyncIterator[tuple[BrokerSettings | None, bool]]:
    """The broker to publish to, and whether it has forgotten what it knew."""
    if settings.broker == "none":
        yield None, False
    elif settings.broker == "embedded":
        async with EmbeddedBroker(bench.bench, port=settings.embedded_port) as broker:
            yield broker.settings, True
    else:
        yield (
            BrokerSettings.from_url(
                settings.broker,
                bench=bench.bench,
                password_file=settings.broker_password_file,
                ca_file=settings.broker_ca,
            ),
            False,
        )


async def _publish(make: Callable[[bool], Pump], restate: bool) -> None:
    """Publish for ever. A fault there must not end the measuring: it begins again."""
    while True:
        try:
            await make(restate).run()
        except Exception:
            _log.exception("a fault in benchd ended publishing", next_try_s=PUBLISH_AGAIN_S)
        await asyncio.sleep(PUBLISH_AGAIN_S)


async def _run(
    stopping: asyncio.Event,
    queue: JobQueue,
    publishing: Coroutine[Any, Any, None] | None,
    desk: BenchDesk,
    http: HttpSettings,
    listener: socket.socket,
    hub: EventHub,
    broker_address: str | None,
) -> None:
    """All tasks, until one fails or somebody asks to stop."""
    listening = asyncio.Event()
    try:
        async with asyncio.TaskGroup() as tasks:
            tasks.create_task(queue.run(), name="queue")
            if publishing is not None:
                tasks.create_task(publishing, name="publish")
            tasks.create_task(serve_http(desk, http, listening, listener=listener), name="http")
            tasks.create_task(_announce(listening, desk, http, broker_address), name="announce")
            await stopping.wait()
            _log.info("stopping")
            hub.close()
            raise _Stop
    except* _Stop:
        pass


async def _announce(
    listening: asyncio.Event, desk: BenchDesk, http: HttpSettings, broker_address: str | None
) -> None:
    """One line for whoever started the daemon."""
    await listening.wait()
    health = await desk.health()
    line = {
        "ready": True,
        "bench": health["bench"],
        "http": http.url,
        "broker": broker_address,
    }
    # Nobody may be reading any more.
    with suppress(OSError):
        print(json.dumps(line), flush=True)


class _Stderr:
    """Where the log goes. A full disk or a closed terminal costs lines, never a job."""

    def write(self, text: str) -> int:
        """Write what can be written."""
        with suppress(OSError, ValueError):
            return sys.stderr.write(text)
        return len(text)

    def flush(self) -> None:
        """Flush what can be flushed."""
        with suppress(OSError, ValueError):
            sys.stderr.flush()


def _log_to_stderr() -> None:
    # It logs tracebacks of failed openings, which the drivers report in words of their own.
    logging.getLogger("pyvisa").setLevel(logging.CRITICAL)
    renderer: Any = structlog.processors.KeyValueRenderer(key_order=["timestamp", "level", "event"])
    if sys.stderr.isatty():
        # Plain tracebacks: the pretty ones read source files on the event loop.
        renderer = structlog.dev.ConsoleRenderer(exception_formatter=structlog.dev.plain_traceback)
    structlog.configure(
        processors=[
            structlog.processors.TimeStamper(fmt="iso", utc=True),
            structlog.processors.add_log_level,
            structlog.processors.format_exc_info,
            renderer,
        ],
        logger_factory=structlog.PrintLoggerFactory(cast(TextIO, _Stderr())),
        cache_logger_on_first_use=False,
    )
