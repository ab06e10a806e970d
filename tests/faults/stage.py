"""Daemon, virtual bench, broker and subscriber of one worker, as processes, over many runs."""

from __future__ import annotations

import os
import re
import shutil
import signal
import sqlite3
import subprocess
import sys
import time
from collections.abc import Sequence
from pathlib import Path
from typing import Any

import httpx

from tests.faults.rf import Span, Tape
from tests.faults.witness import Witness
from tests.system.rigging import BENCH, Daemon, Mosquitto, Process, Simulator, until

INSTRUMENTS = ("generator", "analyzer", "switch", "lid")
TIMEOUT_S = 3.0
"""How long an instrument may take to answer, on this bench."""

PATIENCE_S = 90.0
"""For what must come in a run; one that waits longer has failed."""


class Served(Daemon):
    """`benchd serve` on the worker's bench; `began_s` is when its process was started."""

    def __init__(self, command: list[str], log: Path, environ: dict[str, str]) -> None:
        self.began_s = time.monotonic()
        Process.__init__(self, command, log, environ)
        self.said = self.ready()
        self.http = httpx.Client(base_url=self.said["http"], timeout=PATIENCE_S, trust_env=False)


class Stage:
    """What a worker keeps from run to run. A daemon that lives and is well is used again."""

    def __init__(self, folder: Path) -> None:
        self.folder = folder
        self.data = folder / "data"
        self.recipes = folder / "recipes"
        self.recipes.mkdir()
        # What benchd knows of the sources of this computer is kept apart for each worker.
        self.environ = {**os.environ, "BENCHD_STATE": str(folder / "state")}
        self.bench = folder / "bench.yaml"
        text = re.sub(r"(\n    driver: scpi-[a-z-]+\n)", rf"\1    timeout: {TIMEOUT_S:g} s\n",
                      BENCH.read_text())  # fmt: skip
        self.bench_text = text
        self.bench.write_text(text)
        self.simulator = Simulator(folder)
        self.broker = Mosquitto(folder)
        self.broker.start()
        self.witness = Witness(self.broker.port)
        self.daemon: Served | None = None
        self.attended: list[Span] = []
        self._since_s = 0.0

    # -- the daemon -------------------------------------------------------------------------

    def command(self, *, data: Path | None = None, broker: str | None = None) -> list[str]:
        """The command line of a daemon on this bench."""
        given = [
            part for pair in self.simulator.addresses.items()
            for part in ("--address", "=".join(pair))
        ]  # fmt: skip
        return [
            *(sys.executable, "-m", "benchd", "serve", "--bench", str(self.bench)),
            *("--data", str(data or self.data), "--recipes", str(self.recipes)),
            *("--http", "127.0.0.1:0", "--broker", broker or self.broker.url, *given),
        ]

    def start(self, *, broker: str | None = None, options: Sequence[str] = ()) -> Served:
        """Start the daemon and wait until it is ready."""
        self.attended.append((time.monotonic(), float("inf")))
        command = [*self.command(broker=broker), *options]
        self.daemon = Served(command, self.folder / "daemon.log", self.environ)
        return self.daemon

    def living(self) -> Served:
        """The daemon, started if none lives."""
        if self.daemon is not None and self.daemon.popen.poll() is None:
            return self.daemon
        self.gone()
        return self.start()

    def gone(self) -> None:
        """Note that the daemon is dead."""
        if self.attended and self.attended[-1][1] == float("inf"):
            self.attended[-1] = (self.attended[-1][0], time.monotonic())
        if self.daemon is not None:
            self.daemon.http.close()
            self.daemon = None

    def kill(self) -> None:
        """kill -9 of the daemon."""
        assert self.daemon is not None
        self.daemon.kill()
        self.gone()

    def terminate(self) -> int:
        """SIGTERM to the daemon; its exit status."""
        assert self.daemon is not None
        try:
            return self.daemon.stop()
        finally:
            self.gone()

    def failed_start(self, before: Sequence[str] = (), limit_s: float = PATIENCE_S) -> int | None:
        """A start that is expected to end by itself; its exit status. None where it became ready
        instead, or had not ended at the limit; it is killed then."""
        said = self.folder / "start.out"
        began_s = time.monotonic()
        with (self.folder / "daemon.log").open("ab") as log, said.open("wb") as out:
            popen = subprocess.Popen(
                [*before, *self.command()],
                stdout=out,
                stderr=log,
                start_new_session=True,
                env=self.environ,
            )
        try:
            while time.monotonic() < began_s + limit_s:
                if (status := popen.poll()) is not None:
                    return status
                if b'"ready"' in said.read_bytes():
                    return None
                time.sleep(0.02)
            return None
        finally:
            popen.kill()
            popen.wait()
            self.attended.append((began_s, time.monotonic()))

    def rf_off_program(self) -> int:
        """`benchd rf-off` as the service manager runs it after a daemon has died."""
        began_s = time.monotonic()
        with (self.folder / "rf-off.log").open("ab") as log:
            done = subprocess.run(
                [sys.executable, "-m", "benchd", "rf-off", "--data", str(self.data)],
                stdout=log, stderr=log, timeout=PATIENCE_S, check=False, env=self.environ,
            )  # fmt: skip
        self.attended.append((began_s, time.monotonic()))
        return done.returncode

    # -- the bench --------------------------------------------------------------------------

    def begin(self) -> None:
        """A new run: everything behaves, RF is off, the record begins anew."""
        self.behave()
        self.living()
        self.off_at_last()
        self.attended = [self.attended[-1]]
        self._since_s = float(self.simulator.do("record", since_s=1e12)["now_s"])

    def behave(self) -> None:
        """Instruments, cables, lid and files are as they should be."""
        for name in INSTRUMENTS:
            self.simulator.do("fault", instrument=name, mode="none")
            self.simulator.do("obey", instrument=name)
        self.simulator.do("freeze", instrument="analyzer", frozen=False)
        self.simulator.do("plug", cable="sense_cable")
        self.simulator.do("lid", open=False)
        self.bench.write_text(self.bench_text)
        self.recipes.mkdir(exist_ok=True)

    def tape(self) -> Tape:
        """The record of this run until now."""
        told = self.simulator.do("record", since_s=self._since_s)
        return Tape.of(told["record"], float(told["now_s"]))

    def rf_is_on(self) -> bool:
        """Whether the source radiates."""
        tape = self.tape()
        return bool(tape.on) and tape.on[-1][1] == tape.end_s

    def off_at_last(self, patience_s: float = PATIENCE_S) -> None:
        """Wait until RF is off."""
        until(lambda: not self.rf_is_on(), "RF to be off", patience_s)

    # -- the store --------------------------------------------------------------------------

    def backup(self, name: str) -> Path:
        """A copy of the database as the documentation tells to make it."""
        copy = self.folder / name
        copy.unlink(missing_ok=True)
        source, target = sqlite3.connect(self.data / "benchd.sqlite"), sqlite3.connect(copy)
        source.backup(target)
        source.close()
        target.close()
        return copy

    def restore(self, copy: Path) -> None:
        """Put a copy in the database's place; the daemon must not be running."""
        for file in self.data.glob("benchd.sqlite-*"):
            file.unlink()
        shutil.copyfile(copy, self.data / "benchd.sqlite")

    def close(self) -> None:
        """End everything."""
        if self.daemon is not None and self.daemon.popen.poll() is None:
            self.daemon.popen.send_signal(signal.SIGCONT)
            self.kill()
        self.witness.close()
        self.simulator.kill()
        self.broker.stop()

    def health(self) -> dict[str, Any]:
        """What the daemon says of itself."""
        found: dict[str, Any] = self.living().http.get("/api/health").json()
        return found
