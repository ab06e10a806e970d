"""Stores, brokers, and a guard: nothing may block the event loop."""

from __future__ import annotations

import asyncio
import contextlib
import inspect
import tempfile
from collections.abc import AsyncIterator, Iterator
from pathlib import Path
from typing import Any

import pytest
from blockbuster import blockbuster_ctx

from benchd.publish import BrokerSettings, EmbeddedBroker
from benchd.store import Store
from tests.publish.brokers import Certificates, Mosquitto
from tests.store.conftest import SteppingClock


@pytest.fixture(autouse=True)
def nothing_blocks_the_event_loop(request: pytest.FixtureRequest) -> Iterator[None]:
    """Blocking calls made by benchd on the event loop raise."""
    if not inspect.iscoroutinefunction(request.function):
        yield
        return
    with blockbuster_ctx("benchd"):
        yield


@pytest.fixture
def store(tmp_path: Path) -> Iterator[Store]:
    with Store.open(tmp_path / "bench.db", clock=SteppingClock()) as opened:
        yield opened


@pytest.fixture
def mosquitto() -> Iterator[Mosquitto]:
    """Open to everyone on this machine; keeps whatever a slow subscriber has not fetched."""
    broker = Mosquitto("allow_anonymous true", "max_queued_messages 0")
    broker.start()
    yield broker
    broker.close()


@pytest.fixture(scope="session")
def certificates() -> Iterator[Certificates]:
    with tempfile.TemporaryDirectory(prefix="certificates-") as folder:
        Path(folder).chmod(0o755)
        yield Certificates.make(Path(folder))


@pytest.fixture(
    params=[
        pytest.param("mosquitto-5.0", marks=pytest.mark.needs("mosquitto")),
        pytest.param("mosquitto-3.1.1", marks=pytest.mark.needs("mosquitto")),
        "embedded",
    ]
)
async def settings(request: pytest.FixtureRequest) -> AsyncIterator[BrokerSettings]:
    """How the pump reaches a broker of each kind that benchd supports."""
    kind = str(request.param)
    if kind == "embedded":
        async with EmbeddedBroker("workshop") as embedded:
            yield embedded.settings
        return
    async with mosquitto_settings(kind.partition("-")[2]) as settings:
        yield settings


@contextlib.asynccontextmanager
async def mosquitto_settings(protocol: Any) -> AsyncIterator[BrokerSettings]:
    broker = Mosquitto("allow_anonymous true", "max_queued_messages 0")
    await asyncio.to_thread(broker.start)
    yield BrokerSettings.from_url(broker.url, bench="workshop", protocol=protocol)
    await asyncio.to_thread(broker.close)
