"""What the tests of the live look share: a bench with baselines, its stream, a terminal, and a
connection that holds back what a viewer says."""

from __future__ import annotations

import fcntl
import json
import os
import pty
import select
import socket
import struct
import subprocess
import termios
import threading
from collections.abc import Callable, Iterator
from contextlib import contextmanager, suppress
from pathlib import Path
from typing import Any

import httpx

from tests.patience import PATIENCE_S
from tests.system.rigging import PROGRAM, Daemon, Simulator, until

OFF = ("generator", "rf", False)


class Bench:
    """A simulator and a daemon that share baselines of the dipole over all tests of this file."""

    def __init__(self, folder: Path) -> None:
        self.folder = folder
        self.simulator = Simulator(folder)
        self.begin()
        job = self.daemon.queue("open-short-baseline", antenna="dipole r3", points="41")
        self.daemon.until_state(job, "done")

    def begin(self) -> None:
        """A daemon over the same data; what the one before stored is there."""
        self.daemon = Daemon(self.folder, self.simulator, "none")

    @property
    def http(self) -> httpx.Client:
        return self.daemon.http

    def prepared(self, **arguments: str) -> str:
        """Prepare a look at the dipole; the hash of its worksheet."""
        body = {"what": "dipole r3", "arguments": arguments}
        answer = self.http.post("/api/live/prepare", json=body)
        assert answer.status_code == 200, answer.text
        found: str = answer.json()["hash"]
        return found

    def started(self, **arguments: str) -> str:
        """Start a look and wait until it radiates; its first viewer."""
        answer = self.http.post("/api/live", json={"worksheet": self.prepared(**arguments)})
        assert answer.status_code == 201, answer.text
        viewer: str = answer.json()["viewer"]
        with self.looking(viewer):
            until(lambda: self.rf_on and self.live["state"] == "on", "the live look to radiate")
        return viewer

    @property
    def live(self) -> dict[str, Any]:
        found: dict[str, Any] = self.http.get("/api/live").json()
        return found

    @property
    def rf_on(self) -> bool:
        return bool(self.simulator.do("state")["rf_on"])

    def now_s(self) -> float:
        return float(self.simulator.do("record")["now_s"])

    def off_at(self, since_s: float) -> float:
        """When the generator went off after this time, by its own record; waits for it."""

        def off() -> Any:
            record = self.simulator.do("record", since_s=since_s)["record"]
            times = [at for at, name, what, on in record if (name, what, on) == OFF]
            return times and times[0]

        return float(until(off, "the generator's record to tell that RF is off"))

    def command(self, *more: str) -> list[str]:
        """`benchd live` on the dipole."""
        url = self.daemon.said["http"]
        return [*PROGRAM, "live", "dipole r3", "--daemon", url, *more]

    def here(self, viewer: str) -> httpx.Response:
        return self.http.post("/api/live/here", json={"viewer": viewer})

    @contextmanager
    def looking(self, viewer: str) -> Iterator[None]:
        """Somebody looks while this is open, by a connection of their own."""
        over = threading.Event()

        def ping() -> None:
            with httpx.Client(base_url=self.daemon.said["http"], trust_env=False) as client:
                while not over.is_set():
                    client.post("/api/live/here", json={"viewer": viewer}, timeout=PATIENCE_S)
                    over.wait(0.5)

        thread = threading.Thread(target=ping)
        thread.start()
        try:
            yield
        finally:
            over.set()
            thread.join()

    def ended(self) -> dict[str, Any]:
        """Wait until the look has ended with RF off and verified; why."""
        until(lambda: self.live["state"] == "ended", "the live look to end")
        until(
            lambda: self.http.get("/api/rf").json()["state"] == "off-verified",
            "RF to be verified off",
        )
        assert not self.rf_on
        found: dict[str, Any] = self.live["ending"]
        return found


def streamed(bench: Bench, wanted: Callable[[list[tuple[str, Any]]], bool]) -> list[Any]:
    """What the stream tells until that is enough."""
    found: list[tuple[str, Any]] = []
    with bench.http.stream("GET", "/api/live/stream") as answer:
        kind = ""
        for line in answer.iter_lines():
            if line.startswith("event: "):
                kind = line.removeprefix("event: ")
            elif line.startswith("data: "):
                found.append((kind, json.loads(line.removeprefix("data: "))))
                if wanted(found):
                    break
    return found


def numbers(found: list[tuple[str, Any]]) -> list[int]:
    return [data["number"] for kind, data in found if kind == "sweep"]


class Terminal:
    """A program at a terminal of 100 columns and 40 rows, and what it has written there."""

    def __init__(self, command: list[str]) -> None:
        own, its = pty.openpty()
        fcntl.ioctl(its, termios.TIOCSWINSZ, struct.pack("HHHH", 40, 100, 0, 0))
        self.process = subprocess.Popen(
            command, stdin=its, stdout=its, stderr=its, start_new_session=True,
            env={**os.environ, "TERM": "xterm", "COLUMNS": "100", "LINES": "40"},
        )  # fmt: skip
        os.close(its)
        self._own = own
        self.text = ""

    def until(self, words: str) -> None:
        """Read until the words have been written."""
        while words not in self.text:
            assert select.select([self._own], [], [], PATIENCE_S)[0], self.text[-3000:]
            try:
                self.text += os.read(self._own, 65536).decode(errors="replace")
            except OSError:  # it has ended
                assert words in self.text, self.text[-3000:]

    def type(self, keys: str) -> None:
        os.write(self._own, keys.encode())

    def ended(self) -> int:
        """Read what is left; the exit status."""
        with suppress(OSError):
            while more := os.read(self._own, 65536):
                self.text += more.decode(errors="replace")
        os.close(self._own)
        return self.process.wait(timeout=PATIENCE_S)


class SlowWay:
    """A way to the daemon that holds back what a client says while `held` is set, and forwards it
    later, also when that client is long gone. What the daemon says goes through at once."""

    def __init__(self, url: str) -> None:
        self._daemon = ("127.0.0.1", int(url.rsplit(":", 1)[1]))
        self._door = socket.create_server(("127.0.0.1", 0))
        self.url = f"http://127.0.0.1:{self._door.getsockname()[1]}"
        self.flows = threading.Event()
        self.flows.set()
        self.held_bytes = 0
        self._sockets = [self._door]
        self._threads: list[threading.Thread] = []
        self._start(self._serve)

    def close(self) -> None:
        """Take nobody any more, and close what is open."""
        self.flows.set()
        for each in self._sockets:
            with suppress(OSError):
                each.shutdown(socket.SHUT_RDWR)
        for thread in self._threads:
            thread.join()
        for each in self._sockets:
            each.close()

    def _start(self, work: Callable[..., None], *given: Any) -> None:
        self._threads.append(threading.Thread(target=work, args=given, daemon=True))
        self._threads[-1].start()

    def _serve(self) -> None:
        with suppress(OSError):
            while True:
                client = self._door.accept()[0]
                self._sockets.append(client)
                daemon = socket.create_connection(self._daemon)
                self._sockets.append(daemon)
                self._start(self._carry, client, daemon, self.flows)
                self._start(self._carry, daemon, client, None)

    def _carry(
        self, come_from: socket.socket, to: socket.socket, flows: threading.Event | None
    ) -> None:
        with suppress(OSError):
            while told := come_from.recv(65536):
                if flows is not None and not flows.is_set():
                    self.held_bytes += len(told)
                    assert flows.wait(PATIENCE_S)
                to.sendall(told)
            if flows is not None:
                assert flows.wait(PATIENCE_S)
            to.shutdown(socket.SHUT_WR)


@contextmanager
def slow_way(url: str) -> Iterator[SlowWay]:
    """Such a way to this daemon, while this is open."""
    way = SlowWay(url)
    try:
        yield way
    finally:
        way.close()
