"""A real simulator process and its clients, and instruments at a desk without a network."""

from __future__ import annotations

import json
import os
import signal
import socket
import subprocess
import sys
from dataclasses import dataclass, field
from functools import cache
from typing import Any

import numpy as np

from simulators.instruments import SimulatedClock, Workbench
from simulators.scpi import Conversation
from simulators.world import WorldModel, world_path
from simulators.world.files import read_world
from tests.patience import PATIENCE_S


class Control:
    """A plain client of the control port."""

    def __init__(self, host: str, port: int) -> None:
        self._socket = socket.create_connection((host, port), timeout=PATIENCE_S)
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

    def __init__(self, resource: str, timeout_s: float = PATIENCE_S) -> None:
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

    def open(self, name: str, timeout_s: float = PATIENCE_S) -> RawClient:
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
        status = self.process.wait(timeout=PATIENCE_S)
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


@cache
def workshop_model() -> WorldModel:
    """The shipped workshop, read once."""
    return read_world(world_path("workshop"))


class FlatWorld:
    """A world of one number: what leaves the source arrives `loss_db` weaker, whatever it is."""

    def __init__(self, loss_db: float = 20.0) -> None:

        model = workshop_model()
        perfect = model.analyzer.model_copy(update={"response_db": 0.0, "linearity_db": 0.0})
        self.model = model.model_copy(update={"analyzer": perfect})
        self.loss_db = loss_db
        self.tones: list[tuple[float, float]] = []
        self.lid = False
        self._closed: dict[int, int] = {}

    def generator(self, purpose: int) -> np.random.Generator:
        return np.random.default_rng(purpose)

    def source_level_dbm(self, frequency_hz: Any, level_dbm: float, elapsed_s: float) -> Any:
        return np.full(np.shape(frequency_hz), level_dbm)

    def transfer(self, frequency_hz: Any, elapsed_s: float) -> Any:
        return np.full(np.shape(frequency_hz), 10 ** (-self.loss_db / 20) + 0j)

    def arriving_at_dbm(self, frequency_hz: float, level_dbm: float, elapsed_s: float) -> float:
        return level_dbm - self.loss_db

    def harmonics(self, frequency_hz: float, level_dbm: float) -> Any:
        return (2 * frequency_hz, level_dbm - 35), (3 * frequency_hz, level_dbm - 42)

    def ambient(self, centre_hz: float, span_hz: float) -> list[tuple[float, float]]:
        return list(self.tones)

    def lid_is_open(self) -> bool:
        return self.lid

    def temperature_k(self, elapsed_s: float) -> float:
        return elapsed_s / 1000.0

    def close_channel(self, channel: int) -> None:
        self._closed[channel // 100] = channel

    def open_channel(self, channel: int) -> None:
        self._closed.pop(channel // 100, None)

    def closed_channels(self) -> tuple[int, ...]:
        return tuple(sorted(self._closed.values()))

    def state(self) -> dict[str, Any]:
        return {"closed": list(self.closed_channels())}


class Desk:
    """Instruments on a flat world and a clock that a test turns by hand; no network."""

    def __init__(self, **changes: dict[str, Any]) -> None:

        self.time_s = 0.0
        self.world = FlatWorld()
        instruments = tuple(
            one.model_copy(update={"latency_s": 0.0, "settle_s": 0.0} | changes.get(one.name, {}))
            for one in self.world.model.instruments
        )
        self.world.model = self.world.model.model_copy(update={"instruments": instruments})
        clock = SimulatedClock(1.0, monotonic=lambda: self.time_s)
        self.bench = Workbench(self.world, clock)  # type: ignore[arg-type]
        self._conversations = {
            name: Conversation(one) for name, one in self.bench.instruments.items()
        }

    def send(self, name: str, message: str) -> None:
        """Send a message without turning the clock."""
        self._conversations[name].receive(message.encode("latin-1") + b"\n")

    def poll(self, name: str) -> tuple[list[bytes], float | None]:
        """What comes back now, and when to look again."""
        return self._conversations[name].advance(self.time_s)

    def ask(self, name: str, message: str) -> str:
        """Send a message, turn the clock until it is done, return its reply."""
        self.send(name, message)
        replies: list[bytes] = []
        while True:
            more, wake_s = self.poll(name)
            replies += more
            if wake_s is None:
                return b"".join(replies).decode("latin-1").rstrip("\n")
            self.time_s = wake_s

    def errors(self, name: str) -> list[str]:
        """Error queue of an instrument, emptied."""
        queue = self.bench.instruments[name].status.errors
        found = queue.texts()
        queue.clear()
        return found

    def trace(self) -> list[float]:
        """The analyzer's trace, asked for as text."""
        return [float(text) for text in self.ask("analyzer", ":TRAC?").split(",")]
