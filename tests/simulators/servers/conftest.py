"""A real simulator process, talked to as any client would."""

from __future__ import annotations

import json
import os
import signal
import socket
import subprocess
import sys
from collections.abc import Callable, Iterator
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import pytest


class Control:
    """A plain client of the control port."""

    def __init__(self, host: str, port: int) -> None:
        self._socket = socket.create_connection((host, port), timeout=20)
        self._lines = self._socket.makefile("rb")

    def ask(self, **request: Any) -> dict[str, Any]:
        """Send one request, return the reply whatever it says."""
        return self.send(json.dumps(request).encode())

    def send(self, line: bytes) -> dict[str, Any]:
        """Send one raw line, return the reply."""
        self._socket.sendall(line + b"\n")
        reply: dict[str, Any] = json.loads(self._lines.readline())
        return reply

    def do(self, action: str, **request: Any) -> dict[str, Any]:
        """Send one request that must succeed."""
        reply = self.ask(do=action, **request)
        assert reply.pop("ok"), reply
        return reply

    def instrument(self, name: str) -> dict[str, Any]:
        """State of one instrument."""
        state: dict[str, Any] = self.do("state")["instruments"][name]
        return state

    def close(self) -> None:
        """Hang up."""
        self._lines.close()
        self._socket.close()


class RawClient:
    """Newline-terminated text over a bare socket."""

    def __init__(self, resource: str, timeout_s: float = 10.0) -> None:
        _, host, port, _ = resource.split("::")
        self.socket = socket.create_connection((host, int(port)), timeout=timeout_s)
        self.socket.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)
        self._stream = self.socket.makefile("rb")

    def write(self, message: str) -> None:
        """Send a message."""
        self.socket.sendall(message.encode("latin-1") + b"\n")

    def read(self) -> str:
        """Read one line."""
        return self._stream.readline().decode("latin-1").rstrip("\n")

    def read_bytes(self, count: int) -> bytes:
        """Read exactly so many bytes."""
        return self._stream.read(count)

    def query(self, message: str) -> str:
        """Send a message and read its reply."""
        self.write(message)
        return self.read()

    def errors(self) -> list[str]:
        """Drain the error queue."""
        found = []
        while (entry := self.query("SYST:ERR?")) != '0,"No error"':
            found.append(entry)
        return found

    def close(self) -> None:
        """Hang up."""
        self._stream.close()
        self.socket.close()


@dataclass
class Simulator:
    """A running simulator process and everything opened on it."""

    process: subprocess.Popen[str]
    ready: dict[str, Any]
    control: Control
    _clients: list[RawClient] = field(default_factory=list)

    @property
    def resources(self) -> dict[str, str]:
        """VISA resource strings by instrument name."""
        found: dict[str, str] = self.ready["instruments"]
        return found

    def open(self, name: str, timeout_s: float = 10.0) -> RawClient:
        """A bare socket to an instrument; closed with the simulator."""
        client = RawClient(self.resources[name], timeout_s)
        self._clients.append(client)
        return client

    def stop(self) -> int:
        """End the process as a service manager would; return its exit status."""
        for client in self._clients:
            client.close()
        self.control.close()
        self.process.send_signal(signal.SIGTERM)
        status = self.process.wait(timeout=20)
        assert self.process.stdout is not None
        assert self.process.stderr is not None
        self.process.stdout.close()
        self.process.stderr.close()
        return status


def start(*arguments: str) -> Simulator:
    """Start a simulator and wait for its line."""
    process = subprocess.Popen(
        [sys.executable, "-m", "simulators.cli", *arguments],
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
        text=True,
        env=os.environ | {"OPENBLAS_NUM_THREADS": "1"},
    )
    assert process.stdout is not None
    assert process.stderr is not None
    line = process.stdout.readline()
    if not line:
        raise AssertionError(f"no simulator: {process.stderr.read()}")
    ready = json.loads(line)
    return Simulator(process, ready, Control(**ready["control"]))


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


@pytest.fixture
def world_file(tmp_path: Path) -> Callable[..., Path]:
    """Writes a copy of the shipped workshop with instruments changed."""
    from ruamel.yaml import YAML

    from simulators.world import world_path

    def write(**changes: dict[str, Any]) -> Path:
        yaml = YAML(typ="safe", pure=True)
        content = yaml.load(world_path("workshop").read_text(encoding="utf-8"))
        for instrument in content["instruments"]:
            instrument.update(changes.get(instrument["name"], {}))
        path = tmp_path / "changed.yaml"
        with path.open("w", encoding="utf-8") as stream:
            yaml.dump(content, stream)
        return path

    return write
