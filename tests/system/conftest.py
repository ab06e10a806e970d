"""Fixtures: real processes, ended whatever happens."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

import pytest

from tests.system.rigging import Daemon, Listener, Mosquitto, Simulator, ending


@pytest.fixture
def mosquitto(tmp_path: Path) -> Iterator[Mosquitto]:
    broker = Mosquitto(tmp_path)
    broker.start()
    with ending(broker):
        yield broker


@pytest.fixture
def simulator(tmp_path: Path) -> Iterator[Simulator]:
    bench = Simulator(tmp_path)
    with ending(bench):
        yield bench


@pytest.fixture
def listener(mosquitto: Mosquitto) -> Iterator[Listener]:
    found = Listener(mosquitto.port)
    yield found
    found.close()


@pytest.fixture
def daemon(
    tmp_path: Path, simulator: Simulator, mosquitto: Mosquitto, listener: Listener
) -> Iterator[Daemon]:
    running = Daemon(tmp_path, simulator, mosquitto.url)
    with ending(running):
        yield running
