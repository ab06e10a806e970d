"""The servers that are measured against: the virtual workshop with times of its own, and the least
server that answers at all."""

from __future__ import annotations

import json
import subprocess
import sys
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

from ruamel.yaml import YAML

from tests.system.rigging import REPOSITORY, Simulator, ending

WORLD = REPOSITORY / "simulators" / "worlds" / "workshop.yaml"


def world() -> Any:
    """The virtual workshop as its file describes it."""
    return YAML(typ="safe").load(WORLD.read_text())


@contextmanager
def workshop(folder: Path, change: Callable[[dict[str, Any]], None]) -> Iterator[Simulator]:
    """The virtual workshop, with each of its instruments changed."""
    changed = world()
    for instrument in changed["instruments"]:
        change(instrument)
    path = folder / "changed.yaml"
    with path.open("w") as file:
        YAML(typ="safe").dump(changed, file)
    simulator = Simulator(folder, str(path))
    with ending(simulator):
        yield simulator


@contextmanager
def settling(folder: Path, settle_s: float) -> Iterator[Simulator]:
    """The workshop with a source and an analyzer that settle in a given time, and no instrument
    with any other latency."""

    def change(instrument: dict[str, Any]) -> None:
        instrument["latency_s"] = 0.0
        if instrument["kind"] in ("source", "analyzer"):
            instrument["settle_s"] = settle_s

    with workshop(folder, change) as simulator:
        yield simulator


@contextmanager
def echo(*options: str) -> Iterator[dict[str, int]]:
    """The ports of the least server (`tests.benchmarks.echo_server`), by what they answer like."""
    server = subprocess.Popen(
        [sys.executable, "-m", "tests.benchmarks.echo_server", *options],
        cwd=REPOSITORY,
        stdout=subprocess.PIPE,
    )
    try:
        assert server.stdout is not None
        with server.stdout as said:
            ports: dict[str, int] = json.loads(said.readline())
        yield ports
    finally:
        server.kill()
        server.wait()
