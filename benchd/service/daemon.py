"""Putting the rooms together, and taking them apart in the right order.

Start: RF off from what is on record, before anything of this module is even loaded (see
`benchd.rfoff.start`); own the instruments, claim the bench, listen, RF off (verified), recover,
work. A start that fails switches RF off too, once the instruments are owned.

Stop (SIGTERM, SIGINT, or a closed terminal's SIGHUP): the sweep at hand ends within a tenth of a
second, RF goes off, what is committed stays committed, subscribers read `offline`, everything is
closed. A job that was under way goes on at the next start as its recipe says.
"""

from __future__ import annotations

import asyncio
import gc
import json
import logging
import signal
import socket
import sys
from collections.abc import Awaitable, Callable, Coroutine, Iterator
from contextlib import AsyncExitStack, contextmanager, suppress
from dataclasses import replace
from functools import partial
from pathlib import Path
from typing import Any, TextIO, cast

import structlog

import recipes as shipped
from benchd.bench import Bench
from benchd.bench.bench import read_bench
from benchd.engine.asking_instruments import InstrumentCalls
from benchd.engine.benchthread import BenchThread
from benchd.engine.current_bench import CurrentBench
from benchd.engine.desk import BenchDesk
from benchd.engine.events import EventHub
from benchd.engine.freed_memory import keep_freed_memory
from benchd.engine.health import HealthReport
from benchd.engine.livelook.looks import LiveLooks
from benchd.engine.queue import JobQueue
from benchd.engine.recipes import RecipeShelf
from benchd.engine.reload import Reload
from benchd.engine.rfnews import tell_of_rf
from benchd.engine.rfwatch import OFF_VERIFIED, ON, RfState
from benchd.engine.rig import Rig
from benchd.engine.runner import Runner
from benchd.engine.source_record import SourceRecord, radiating
from benchd.engine.storethread import StoreThread
from benchd.errors import BenchdError, RfNotVerified, UserError
from benchd.reductions import broken
from benchd.rfoff.ownership import Ownership, instrument_keys, resolved_hosts
from benchd.rfoff.start import Begun, Options
from benchd.service.alive import living, rf_off_command
from benchd.service.publishing import Publishing
from benchd.service.settings import ServiceSettings
from benchd.service.systemd import Notifier
from benchd.store import BenchClaimed, Store, StoreFull
from benchd.store.bench_lock import BenchLock
from benchd.store.database_check import make_private_folder
from benchd.web.server import open_socket, serve_http
from benchd.web.settings import HttpSettings

_log = structlog.get_logger(__name__)

YOUNG_OBJECTS = (700, 10, 10)
"""How often Python looks for garbage unless it is told otherwise (`gc.set_threshold`)."""

GIVE_WAY_S = 0.0005
"""How long a thread that computes keeps the others of this process waiting, s
(`sys.setswitchinterval`).
By Python's own 5 ms every reply that an instrument sends meanwhile would be taken that much later;
stepped sweeps settle in less."""

ASK_AGAIN_S = 0.1
"""How often a start looks whether all sources have answered, to tell of it."""


class _Stop(Exception):
    """Asked to stop."""


def shipped_recipes() -> Path:
    """The folder of recipes that come with benchd."""
    return Path(next(iter(shipped.__path__)))


async def serve(settings: ServiceSettings, begun: Begun | None = None) -> None:
    """Run one daemon until SIGTERM, SIGINT or SIGHUP.

    begun: what was switched off and is owned already, at the start of this process.

    Prints one line of JSON on stdout when it is ready: {"ready": true, "bench", "http", "broker"}.
    Raises BenchdError for what is wrong with the settings. Once the instruments are owned, RF is
    off afterwards on every way out: whatever ran this bench before may have left it on. Raises
    RfNotVerified where the daemon was stopped and a source did not say that it is off.
    """
    _log_to_stderr()
    sys.setswitchinterval(GIVE_WAY_S)
    keep_freed_memory()
    for why in broken().values():
        _log.warning(why)
    notifier = Notifier()
    bench, written = read_bench(settings.bench)
    if settings.addresses:
        bench = bench.with_addresses(settings.addresses)
    live_bench = CurrentBench(bench, written)
    http = settings.http
    rig = Rig(bench)
    async with AsyncExitStack() as stack:
        stopping = stack.enter_context(_stopped_by_signals())
        # Before the first message to any of them, and until the last one was sent.
        if begun is None:
            begun = Begun(Options(), Ownership(), [], [])
            stack.callback(begun.ownership.release)
        own_instruments(bench, begun.ownership)
        rig.rf.leave_over(*begun.unconfirmed(one.address for one in bench.instruments.values()))
        ownership, sources = begun.ownership, radiating(bench)
        helper = rf_off_command(settings.data)
        monitor = await stack.enter_async_context(
            living(notifier, rig.pulse, rig.rf, sources, helper)
        )
        bench_thread = BenchThread(bench.bench, rig.stop, rig.pulse, rig.begin_closing)
        stack.callback(bench_thread.close)
        stack.push_async_callback(bench_thread.run, rig.close)
        rig.record = SourceRecord(
            bench, rig.drivers, settings.bench, settings.data, begun.verified()
        )
        database = _folder(settings.data) / "benchd.sqlite"
        rig.doubted.remember(settings.data, rig.drivers)
        stack.enter_context(_claimed(database, bench.bench))
        _keep_early(rig.record)
        store_thread = StoreThread()
        stack.callback(store_thread.close)
        store = await store_thread.call(Store.open, database)
        stack.callback(store.close)
        listener = stack.enter_context(open_socket(http))
        port = listener.getsockname()[1]
        http = replace(http, port=port)
        hub = EventHub()
        stack.callback(hub.close)
        stack.callback(tell_of_rf(rig.rf, hub))
        reload = Reload(
            live_bench,
            settings.bench,
            addresses=settings.addresses,
            rig=rig,
            bench_thread=bench_thread,
            claim=lambda described: own_instruments(described, ownership),
            let_go=lambda before, after: let_go(before, after, ownership),
            on_change=lambda described: sources.__setitem__(slice(None), radiating(described)),
        )
        runner = Runner(
            bench=live_bench,
            store=store,
            store_thread=store_thread,
            rig=rig,
            bench_thread=bench_thread,
            hub=hub,
            trace_points=settings.publish.trace_points,
        )
        stack.callback(runner.close)
        looks = LiveLooks(
            bench=live_bench,
            store=store,
            store_thread=store_thread,
            rig=rig,
            bench_thread=bench_thread,
            hub=hub,
            job_running=lambda: runner.job_id,
            look_again=reload.look,
            trace_points=settings.publish.trace_points,
        )
        queue = JobQueue(
            bench_name=bench.bench,
            store=store,
            store_thread=store_thread,
            rig=rig,
            bench_thread=bench_thread,
            runner=runner,
            hub=hub,
            zone=lambda: rig.bench.zone,
            reload=reload,
            looks=looks,
        )
        publishing = Publishing(store, bench.bench, rig.rf)
        vitals = HealthReport(
            bench=bench.bench,
            store=store,
            data=settings.data,
            rf=rig.rf,
            monitor=monitor,
            broker=publishing.document,
        )
        desk = BenchDesk(
            bench=live_bench,
            shelf=RecipeShelf([*settings.recipes, shipped_recipes()]),
            store=store,
            store_thread=store_thread,
            rig=rig,
            runner=runner,
            queue=queue,
            hub=hub,
            vitals=vitals,
            roll=InstrumentCalls(rig, bench_thread, runner, looks),
            reload=reload,
            bench_file=settings.bench,
            looks=looks,
        )
        opened = settings.publish.opened(bench.bench)
        broker, restate = await stack.enter_async_context(opened)
        pumping = None if broker is None else publishing.run(broker, desk, restate)
        address = None if broker is None else broker.address
        rest = partial(_come_to_rest, bench_thread, rig)
        await _run(stopping, queue, pumping, desk, http, listener, hub, address, rest, notifier)
    _require_off(rig.rf.now)


async def _come_to_rest(bench_thread: BenchThread, rig: Rig, queue: asyncio.Task[None]) -> None:
    """End the job at hand and ask the sources, while subscribers can still be told."""
    rig.begin_closing()
    queue.cancel()
    await asyncio.wait({queue})
    try:
        await bench_thread.run(rig.rf_off)
    except Exception as error:
        _log.error("rf off not verified while stopping", error=str(error))


def _require_off(rf: RfState) -> None:
    """Raises RfNotVerified: whoever stopped the daemon must learn that RF may be on."""
    if rf.state != OFF_VERIFIED:
        raise RfNotVerified(f"benchd has stopped, but {rf.message}", advice=rf.advice)


def own_instruments(bench: Bench, ownership: Ownership) -> None:
    """Own the address of every instrument. Raises BenchClaimed, naming who has it.

    What this process owns already is owned; nothing is sent to anything here.
    """
    for name, instrument in bench.instruments.items():
        address = instrument.address
        try:
            owner = ownership.claim(instrument_keys(address, resolved_hosts(address)), bench.bench)
        except OSError as error:
            raise BenchClaimed(
                f"the instrument cannot be claimed: {error.strerror}.",
                where=f"{name} at {address}",
                advice="The system must allow sockets of the family AF_UNIX (see "
                "RestrictAddressFamilies= in a systemd unit).",
            ) from error
        if owner is not None:
            raise BenchClaimed(
                "the instrument is run by another benchd"
                + (f" (process {owner.pid})" if owner.pid else "")
                + (f", bench {owner.bench}." if owner.bench else "."),
                where=f"{name} at {address}",
                advice="Stop that one first, or use the commands to talk to it. Nothing was sent "
                "to the instrument.",
            )


def let_go(before: Bench, after: Bench, ownership: Ownership) -> None:
    """End the claims on addresses that the bench has no more."""

    # Each address once: a name server that answers differently the second time must not end the
    # claim on an instrument that is still used.
    addresses = [{one.address for one in bench.instruments.values()} for bench in (before, after)]
    keys = {
        address: set(instrument_keys(address, resolved_hosts(address)))
        for address in addresses[0] | addresses[1]
    }
    kept = set().union(*(keys[address] for address in addresses[1]))
    gone = set().union(*(keys[address] for address in addresses[0] - addresses[1]))
    ownership.let_go(gone - kept)


def _keep_early(record: SourceRecord) -> None:
    """On disk as soon as may be; it is RF on that must not come without it, not the start."""
    try:
        record.keep()
    except BenchdError as error:
        _log.error("the record of sources is not on disk", error=str(error))


def _folder(path: Path) -> Path:
    """The data folder, made where it does not exist. Raises UserError."""
    try:
        make_private_folder(path)
    except OSError as error:
        raise UserError(
            f"the data folder cannot be made: {error.strerror}.",
            where=str(path),
            advice="Choose another with --data, or make it and allow benchd to write there.",
        ) from error
    return path


def _claimed(database: Path, bench: str) -> BenchLock:
    """Own the bench. Raises BenchClaimed, StoreReadOnly, StoreFull."""
    try:
        return BenchLock(database, bench)
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


async def _run(
    stopping: asyncio.Event,
    queue: JobQueue,
    publishing: Coroutine[Any, Any, None] | None,
    desk: BenchDesk,
    http: HttpSettings,
    listener: socket.socket,
    hub: EventHub,
    broker_address: str | None,
    come_to_rest: Callable[[asyncio.Task[None]], Awaitable[None]],
    notifier: Notifier,
) -> None:
    """All tasks, until one fails or somebody asks to stop."""
    listening = asyncio.Event()
    try:
        async with asyncio.TaskGroup() as tasks:
            working = tasks.create_task(queue.run(), name="queue")
            if publishing is not None:
                tasks.create_task(publishing, name="publish")
            tasks.create_task(serve_http(desk, http, listening, listener=listener), name="http")
            announcing = _announce(listening, desk, http, broker_address, notifier)
            tasks.create_task(announcing, name="announce")
            await stopping.wait()
            _log.info("stopping")
            notifier.stopping()
            hub.close()
            await come_to_rest(working)
            raise _Stop
    except* _Stop:
        pass


async def _announce(
    listening: asyncio.Event,
    desk: BenchDesk,
    http: HttpSettings,
    broker_address: str | None,
    notifier: Notifier,
) -> None:
    """One line for the program that started the daemon, a word for systemd, and for a person
    whether RF is off and where the page is."""
    await listening.wait()
    # What was loaded stays to the end: from here on nobody looks for garbage in it.
    gc.freeze()
    gc.set_threshold(*YOUNG_OBJECTS)
    notifier.ready(f"listening on {http.url}")
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
    while health["rf"]["asking"]:
        await asyncio.sleep(ASK_AGAIN_S)
        health = await desk.health()
    rf = health["rf"]
    tell = _log.info if rf["state"] in (OFF_VERIFIED, ON) else _log.warning
    tell("rf", told=" ".join(part for part in (rf["message"], rf["advice"]) if part))
    _log.info("page", address=page_address(http.url), stop="Ctrl-C")


def page_address(url: str) -> str:
    """Where a browser finds the page. Whoever listens on every address is reached by name."""
    for every in ("//0.0.0.0:", "//[::]:"):
        url = url.replace(every, f"//{socket.gethostname()}:")
    return f"{url}/"


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
