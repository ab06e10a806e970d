"""The virtual bench of the demo: simulator and daemon as processes of their own."""

from __future__ import annotations

import contextlib
import json
import os
import queue
import re
import subprocess
import sys
import threading
from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import IO, Any

from benchd.cli.client import Daemon
from benchd.errors import BenchdError

READY_WITHIN_S = 120.0
ANSWER_WITHIN_S = 60.0


class Child:
    """A process that prints one line of JSON when it is ready."""

    def __init__(
        self, what: str, command: list[str], log: Path, more: Mapping[str, str] | None = None
    ) -> None:
        """more: environment variables besides those of this process."""
        self._what, self._log = what, log
        self._errors: IO[bytes] = log.open("wb")
        self._process = subprocess.Popen(
            command, stdout=subprocess.PIPE, stderr=self._errors, env={**os.environ, **(more or {})}
        )
        self._lines: queue.Queue[bytes] = queue.Queue()
        threading.Thread(target=self._read, daemon=True).start()

    def _read(self) -> None:
        assert self._process.stdout is not None
        self._lines.put(self._process.stdout.readline())

    def ready(self) -> dict[str, Any]:
        """What it said. Raises BenchdError with the end of its log if it did not."""
        with contextlib.suppress(queue.Empty, ValueError):
            found: dict[str, Any] = json.loads(self._lines.get(timeout=READY_WITHIN_S))
            return found
        self._errors.flush()
        tail = self._log.read_text(errors="replace")[-2000:]
        raise BenchdError(f"the {self._what} did not start:\n{tail}", where="demo")

    def stop(self) -> None:
        """SIGTERM; kill it if it does not end."""
        if self._process.poll() is None:
            self._process.terminate()
            try:
                self._process.wait(timeout=60.0)
            except subprocess.TimeoutExpired:
                self._process.kill()
                self._process.wait()
        self._errors.close()

    def wait(self) -> None:
        """Until it ends."""
        self._process.wait()


@dataclass(frozen=True)
class Up:
    """A bench that is up. said: the daemon's ready line. control: the simulator's control port."""

    client: Daemon
    said: dict[str, Any]
    control: dict[str, Any]
    daemon: Child


def _patient_copy(bench: Path, folder: Path) -> Path:
    """A copy of a bench file whose instruments may take long to answer.

    Simulated instruments wait while their physics is worked out, on a busy computer for seconds.
    """
    copy = folder / bench.name
    patience = rf"\1    timeout: {ANSWER_WITHIN_S:g} s\n"
    text = re.sub(
        r"(\n    driver: scpi-[a-z-]+\n)(?!    timeout:)", patience, bench.read_text("utf-8")
    )
    # With RF on no lid contact is given so long: it may take the most that a bench file can say.
    text = text.replace("    driver: scpi-lid\n", "    driver: scpi-lid\n    answer_within: 10 s\n")
    copy.write_text(text, "utf-8")
    return copy


@contextlib.contextmanager
def virtual_bench(out: Path, world: str, *options: str) -> Iterator[Up]:
    """The virtual bench and the daemon, both stopped at the end.

    world: name of a shipped world and of the bench file that describes it. options: for the
    simulator. Raises BenchdError where one of them does not start.
    """
    from benchd.service.daemon import shipped_recipes

    with contextlib.ExitStack() as stack:
        simulator = Child(
            "simulator",
            [sys.executable, "-m", "simulators", world, *options],
            out / "simulator.log",
        )
        stack.callback(simulator.stop)
        virtual = simulator.ready()
        addresses = virtual["instruments"]
        given = [f"--address={name}={address}" for name, address in addresses.items()]
        bench = _patient_copy(shipped_recipes() / "benches" / f"{world}.yaml", out)
        # Ports of a virtual bench are no sources to remember among those of real ones.
        state = {"BENCHD_STATE": str(out / "state")}
        daemon = Child(
            "daemon",
            [
                *(sys.executable, "-m", "benchd", "serve", f"--bench={bench}"),
                *(f"--data={out / 'data'}", "--http=127.0.0.1:0", "--embedded-port=0"),
                *given,
            ],
            out / "daemon.log",
            state,
        )
        stack.callback(daemon.stop)
        said = daemon.ready()
        yield Up(stack.enter_context(Daemon(said["http"])), said, virtual["control"], daemon)
