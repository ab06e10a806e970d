"""Putting the rooms together, and taking them apart in the right order.

Start: claim the bench, listen, RF off (verified), recover, work. Stop (SIGTERM, SIGINT): the
sweep at hand ends within a tenth of a second, RF goes off, what is committed stays committed,
subscribers read `offline`, everything is closed. A job that was under way goes on at the next
start as its recipe says.
"""

from __future__ import annotations

import asyncio
import json
import logging
import signal
import sys
from collections.abc import AsyncIterator
from contextlib import AsyncExitStack, asynccontextmanager
from pathlib import Path
from typing import Any

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
from benchd.publish import BrokerSettings, EmbeddedBroker, Pump
from benchd.service.settings import ServiceSettings
from benchd.store import Store
from benchd.web.server import open_socket, serve_http
from benchd.web.settings import HttpSettings

_log = structlog.get_logger(__name__)


class _Stop(Exception):
    """Asked to stop."""


def shipped_recipes() -> Path:
    """The folder of recipes that come with benchd."""
    return Path(next(iter(shipped.__path__)))


async def serve(settings: ServiceSettings) -> None:
    """Run one daemon until SIGTERM or SIGINT.

    Prints one line of JSON on stdout when it is ready: {"ready": true, "bench", "http", "broker"}.
    Raises BenchdError for what is wrong with the settings, before anything is touched.
    """
    _log_to_stderr()
    bench = load_bench(settings.bench)
    if settings.addresses:
        bench = bench.with_addresses(settings.addresses)
    http = HttpSettings(host=settings.http_host, port=settings.http_port, token=settings.token)
    settings.data.mkdir(parents=True, exist_ok=True)
    async with AsyncExitStack() as stack:
        store_thread = StoreThread()
        stack.callback(store_thread.close)
        store = await store_thread.call(Store.open, settings.data / "benchd.sqlite")
        stack.callback(store.close)
        claim = store.claim(bench.bench)
        stack.callback(claim.release)
        listener = open_socket(http)
        port = listener.getsockname()[1]
        http = HttpSettings(host=http.host, port=port, token=http.token)
        rig = Rig(bench)
        bench_thread = BenchThread(bench.bench, rig.stop)
        stack.callback(bench_thread.close)
        hub = EventHub()
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
        async with _broker(bench, settings) as (broker, restate):
            pump = _pump(store, bench, broker, desk, restate)
            await _run(queue, pump, desk, http, listener, hub)
        await bench_thread.run(rig.close)


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


def _pump(
    store: Store, bench: Bench, broker: BrokerSettings | None, desk: BenchDesk, restate: bool
) -> Pump | None:
    if broker is None:
        return None
    return Pump(store, bench.bench, broker, handler=desk, restate=restate)


async def _run(
    queue: JobQueue,
    pump: Pump | None,
    desk: BenchDesk,
    http: HttpSettings,
    listener: Any,
    hub: EventHub,
) -> None:
    """All tasks, until one fails or somebody asks to stop."""
    stopping = asyncio.Event()
    loop = asyncio.get_running_loop()
    for number in (signal.SIGTERM, signal.SIGINT):
        loop.add_signal_handler(number, stopping.set)
    listening = asyncio.Event()
    try:
        async with asyncio.TaskGroup() as tasks:
            tasks.create_task(queue.run(), name="queue")
            if pump is not None:
                tasks.create_task(pump.run(), name="publish")
            tasks.create_task(serve_http(desk, http, listening, listener=listener), name="http")
            tasks.create_task(_announce(listening, desk, http, pump), name="announce")
            await stopping.wait()
            _log.info("stopping")
            hub.close()
            raise _Stop
    except* _Stop:
        pass
    finally:
        for number in (signal.SIGTERM, signal.SIGINT):
            loop.remove_signal_handler(number)


async def _announce(
    listening: asyncio.Event, desk: BenchDesk, http: HttpSettings, pump: Pump | None
) -> None:
    """One line for whoever started the daemon."""
    await listening.wait()
    health = await desk.health()
    line = {
        "ready": True,
        "bench": health["bench"],
        "http": http.url,
        "broker": pump.settings.address if pump is not None else None,
    }
    print(json.dumps(line), flush=True)


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
        logger_factory=structlog.PrintLoggerFactory(sys.stderr),
        cache_logger_on_first_use=False,
    )
