"""Sending the outbox to the broker, and trying again until it has arrived.

Committed first, published after: a row is marked delivered only when the broker has confirmed
it, so a message may arrive twice and none is lost. The event loop never waits for the disk: all
calls to the store run in one thread of the pump's own.
"""

from __future__ import annotations

import asyncio
from collections.abc import Callable
from concurrent.futures import ThreadPoolExecutor
from contextlib import suppress
from dataclasses import dataclass, replace
from typing import ParamSpec, TypeVar

import structlog
from aiomqtt import ProtocolVersion

from benchd import __version__
from benchd.errors import BenchdError
from benchd.publish.connection import (
    BrokerLost,
    BrokerRefused,
    Client,
    WrongProtocol,
    tls_context,
)
from benchd.publish.epoch_check import EpochCheck, NotSuccessor
from benchd.publish.order_memory import StoreMemory
from benchd.publish.orders import OrderBook, OrderHandler
from benchd.publish.rf import RfSource, RfTopic
from benchd.publish.session import Session
from benchd.publish.settings import BrokerSettings
from benchd.publish.stale_readings import StaleReadings
from benchd.publish.topics import Topics
from benchd.store import JobState, OutboxRow, Store, StoreError
from drivers.retry import Retry

log = structlog.get_logger(__name__)

BATCH = 200
LOOK_AGAIN_S = 5.0
P = ParamSpec("P")
T = TypeVar("T")


@dataclass(frozen=True, slots=True)
class PumpStatus:
    """For `health` and the page.

    message: what keeps it from the broker; empty while connected.
    delivered: messages confirmed since the start.
    """

    connected: bool
    address: str
    protocol: str
    message: str
    delivered: int


class Pump:
    """Publishes one bench. `run` is a task that ends only by being cancelled.

    restate: send the newest states again at the start, for a broker that forgets.
    rf: what is known of RF, told on a retained topic of its own.
    """

    def __init__(
        self,
        store: Store,
        bench: str,
        settings: BrokerSettings,
        *,
        handler: OrderHandler | None = None,
        rf: RfSource | None = None,
        restate: bool = False,
        retry: Retry | None = None,
        version: str = __version__,
    ) -> None:
        self.bench = bench
        self.settings = settings
        self.topics = Topics(bench, settings.root)
        self.version = version
        self.rf: RfTopic | None = None if rf is None else RfTopic(bench, self.topics.rf, rf)
        self.orders: OrderBook | None = None
        if handler is not None and settings.takes_orders:
            memory = StoreMemory(store, bench, self.in_store)
            self.orders = OrderBook(bench, handler, self._replay, memory=memory)
        self.connected = asyncio.Event()
        self.succession = EpochCheck(store, bench)
        self._store = store
        self._is_checked = False
        self._restate = restate
        self._has_cleared = restate  # a broker that forgets keeps nothing stale
        self._retry = retry or Retry()
        self._news = asyncio.Event()
        self._speaks_5 = settings.protocol != "3.1.1"
        self._proven = False
        self._status = PumpStatus(False, settings.address, "", "not yet connected", 0)
        self._executor = ThreadPoolExecutor(1, thread_name_prefix="benchd-publish")

    @property
    def status(self) -> PumpStatus:
        """The present state of publishing."""
        return self._status

    async def run(self) -> None:
        """Connect, publish, answer orders; on any loss begin again.

        Cancelling it says `offline` and hangs up, within a few seconds. Any exception but
        CancelledError is a fault in benchd.
        """
        loop = asyncio.get_running_loop()

        def committed() -> None:
            # The event loop may have ended while the bench thread was still committing.
            with suppress(RuntimeError):
                loop.call_soon_threadsafe(self._news.set)

        stop_listening = self._store.on_commit(committed)
        if self.settings.sends_password_in_clear:
            log.warning("the broker password travels unencrypted", broker=self.settings.address)
        if self.orders is not None and self.settings.username is None:
            log.warning(
                "orders are taken from whoever may write to this broker",
                broker=self.settings.address,
                topic=self.topics.orders,
                advice="They can switch RF on. Use a broker with passwords and access rules.",
            )
        try:
            while True:
                await self._attempt()
        finally:
            stop_listening()
            self.connected.clear()
            self._executor.shutdown(wait=False)

    async def _attempt(self) -> None:
        try:
            if not self._is_checked:
                await self.in_store(self.succession.check)
                self._is_checked = True
            if self._restate:
                await self.in_store(self._store.restate, self.bench)
                self._restate = False
            context = await self.in_store(tls_context, self.settings)
            await Session(self, self.protocol, context).run()
        except NotSuccessor as error:
            # Nothing was published yet on this connection; begin again with another epoch.
            self._is_checked = False
            await self._begin_epoch(str(error))
        except WrongProtocol as error:
            if self.settings.protocol == "auto" and self._speaks_5:
                self._speaks_5 = False
                return
            await self._wait(error, refused=True)
        except BrokerLost as error:
            if self.settings.protocol == "auto" and error.fell_silent and not self._proven:
                # Some brokers hang up or fall silent, instead of refusing, when asked for 5.0.
                self._speaks_5 = not self._speaks_5
            await self._wait(error, refused=False)
        except (BrokerRefused, StoreError) as error:
            await self._wait(error, refused=True)

    async def _begin_epoch(self, reason: str) -> None:
        try:
            await self.in_store(self.succession.begin_by_broker, reason)
            self._is_checked = True
        except StoreError as error:
            await self._wait(error, refused=True)

    async def _wait(self, error: BenchdError, *, refused: bool) -> None:
        self.connected.clear()
        wait_s = self._retry.next_s(refused=refused)
        self._status = replace(self._status, connected=False, message=str(error))
        log.warning("not publishing", reason=str(error), next_attempt_s=round(wait_s, 1))
        await asyncio.sleep(wait_s)

    @property
    def protocol(self) -> ProtocolVersion:
        """The version of the next attempt."""
        return ProtocolVersion.V5 if self._speaks_5 else ProtocolVersion.V311

    # --- for the session ----------------------------------------------------------------

    async def in_store(self, call: Callable[P, T], *args: P.args, **kwargs: P.kwargs) -> T:
        """Run something that blocks in the pump's own thread."""
        loop = asyncio.get_running_loop()
        return await loop.run_in_executor(self._executor, lambda: call(*args, **kwargs))

    def readings_to_clear(self, client: Client) -> StaleReadings | None:
        """What looks for stale readings; None where there can be none: in the first epoch of a
        database, or where they were looked for since the daemon's start."""
        if self._has_cleared or not self.succession.current.reason:
            return None

        async def known() -> set[str]:
            return await self.in_store(self._store.state_topics, self.bench)

        return StaleReadings(client, self.topics, known)

    def readings_are_clear(self) -> None:
        """All readings that the broker kept were looked at."""
        self._has_cleared = True

    def has_connected(self, protocol: str) -> None:
        """The session works: the broker takes what we publish."""
        self._retry.succeeded()
        self._proven = True
        self._status = replace(self._status, connected=True, protocol=protocol, message="")
        self.connected.set()
        log.info("publishing", broker=self.settings.address, protocol=protocol)

    async def next_rows(self, busy: set[int]) -> list[OutboxRow]:
        """Rows to send that are not being sent already; waits until there are some."""
        while True:
            self._news.clear()
            limit = BATCH + len(busy)
            rows = await self.in_store(self._take, busy, limit)
            if rows:
                return rows
            # It also looks at regular intervals, since another process may have committed rows.
            with suppress(TimeoutError):
                async with asyncio.timeout(LOOK_AGAIN_S):
                    await self._news.wait()

    def _take(self, busy: set[int], limit: int) -> list[OutboxRow]:
        rows = self._store.outbox_pending(self.bench, limit)
        rows = [row for row in rows if row.number not in busy]
        self.succession.hand_out(max((row.sequence or 0 for row in rows), default=0))
        return rows

    def epoch_message(self) -> str:
        """The message on the topic `epoch` that follows each batch of events."""
        return self.succession.message().to_json()

    async def have_delivered(self, numbers: list[int]) -> None:
        """The broker has confirmed these rows."""
        await self.in_store(self._store.outbox_delivered, numbers)
        self._status = replace(self._status, delivered=self._status.delivered + len(numbers))

    async def open_jobs(self) -> set[str]:
        """Ids of the jobs that have not ended, so that they can be withdrawn."""
        states = (JobState.WAITING, JobState.RUNNING, JobState.NEEDS_HANDS)
        jobs = await self.in_store(self._store.jobs, states, bench=self.bench)
        return {job.id for job in jobs}

    async def _replay(self, from_sequence: int, to_sequence: int | None) -> int:
        return await self.in_store(self._store.replay, self.bench, from_sequence, to_sequence)
