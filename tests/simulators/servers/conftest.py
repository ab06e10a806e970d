"""Simulators for the tests of this folder."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import pytest
from ruamel.yaml import YAML

from simulators.world import world_path
from tests.simulators.servers.harness import Desk, Simulator, start


@pytest.fixture
def simulator() -> Iterator[Callable[..., Simulator]]:
    """Starts simulators with given arguments; each must end cleanly."""
    running: list[Simulator] = []

    def begin(*arguments: str) -> Simulator:
        running.append(start(*arguments))
        return running[-1]

    yield begin
    for one in running:
        assert one.stop() == 0


@pytest.fixture(scope="module")
def fast_workshop() -> Iterator[Simulator]:
    """The shipped workshop as fast as possible, shared by the tests of a module."""
    one = start("workshop", "--time-scale", "0")
    yield one
    assert one.stop() == 0


@pytest.fixture
def workshop(fast_workshop: Simulator) -> Simulator:
    """The shared workshop, every instrument reset and its errors forgotten."""
    for name in ("generator", "analyzer", "switch", "lid"):
        fast_workshop.control.do("fault", instrument=name, mode="none")
        client = fast_workshop.open(name)
        assert client.query("*RST;*CLS;*OPC?") == "1"
    fast_workshop.control.do("lid", open=False)
    return fast_workshop


def changed_world(folder: Path, changes: dict[str, dict[str, Any]]) -> Path:
    """A copy of the shipped workshop with instruments changed."""
    yaml = YAML(typ="safe", pure=True)
    content = yaml.load(world_path("workshop").read_text(encoding="utf-8"))
    for instrument in content["instruments"]:
        instrument.update(changes.get(instrument["name"], {}))
    path = folder / "changed.yaml"
    with path.open("w", encoding="utf-8") as stream:
        yaml.dump(content, stream)
    return path


@pytest.fixture
def world_file(tmp_path: Path) -> Callable[..., Path]:
    """Writes a changed workshop: `world_file(lid={"dialect": "terse"})`."""
    return lambda **changes: changed_world(tmp_path, changes)


@pytest.fixture(scope="module")
def odd_workshop(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Simulator]:
    """A source with a tiny input buffer and an analyzer with very long traces."""
    long = {"frequency_min_hz": 9000, "frequency_max_hz": 6.5e9, "points_max": 100001}
    path = changed_world(
        tmp_path_factory.mktemp("odd"),
        {"generator": {"limits": {"buffer_bytes": 256}}, "analyzer": {"limits": long}},
    )
    one = start(str(path), "--time-scale", "0")
    yield one
    assert one.stop() == 0


@pytest.fixture
def desk() -> Desk:
    """Instruments without latency or settling time on a flat world."""
    return Desk()


@pytest.fixture
def make_desk() -> Callable[..., Desk]:
    """Makes a desk with instruments changed: `make_desk(generator={"settle_s": 0.01})`."""
    return Desk
