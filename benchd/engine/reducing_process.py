"""A process of its own that reduces while the daemon measures.

Reducing takes all of a processor for a while. In the daemon it would hold up the bench thread,
since Python runs one thread of a process at a time. This process reads the store and changes
nothing there: the daemon commits what it returns. Whatever goes wrong here (an error, a damaged
row, an end of the process), the daemon reduces the step itself, and so meets the same error where
it can be told.
"""

from __future__ import annotations

import contextlib
import gc
import os
import pickle
import queue
import signal
import subprocess
import sys
import threading
from dataclasses import dataclass
from typing import IO

import structlog

from benchd.bench import Bench
from benchd.engine.freed_memory import keep_freed_memory
from benchd.engine.reducing import Reducer
from benchd.store import ReadyResult, Store
from benchd.worksheet import ReduceStep, Worksheet

_log = structlog.get_logger(__name__)

NICER = 10
"""How far it stands back behind the daemon where both want the same processor (`nice`)."""


@dataclass(frozen=True)
class Order:
    """Reduce one step of a job. bench: as it was described when the job was queued."""

    job_id: str
    step_index: int
    bench: Bench


class ReducingProcess:
    """The process, as the daemon sees it. All methods block; `kill` may be called meanwhile.

    place: the database, as `Store.place` gives it.
    """

    def __init__(self, place: str) -> None:
        self._place = place
        self._process: subprocess.Popen[bytes] | None = None

    def start(self) -> None:
        """Start it, unless it runs. It is ready a second or so later. Raises OSError."""
        self._started()

    def _started(self) -> subprocess.Popen[bytes]:
        process = self._process
        if process is not None and process.poll() is None:
            return process
        self.kill()
        process = subprocess.Popen(
            [sys.executable, "-m", __name__], stdin=subprocess.PIPE, stdout=subprocess.PIPE
        )
        self._process = process
        assert process.stdin is not None
        _send(process.stdin, self._place)
        return process

    def ready(self, order: Order) -> list[ReadyResult] | None:
        """The results of a step, not yet stored; None where the daemon must reduce it itself."""
        try:
            process = self._started()
            assert process.stdin is not None
            assert process.stdout is not None
            _send(process.stdin, order)
            found: list[ReadyResult] | None = pickle.load(process.stdout)
        except (OSError, EOFError, ValueError, pickle.PickleError) as error:
            _log.warning("the reducing process is of no use", error=f"{type(error).__name__}")
            self.kill()
            return None
        return found

    def kill(self) -> None:
        """End it at once. It holds nothing that is not in the store."""
        process, self._process = self._process, None
        if process is None:
            return
        process.kill()
        process.wait()
        for pipe in (process.stdin, process.stdout):
            if pipe is not None:
                with contextlib.suppress(OSError):
                    pipe.close()


def _send(pipe: IO[bytes], message: object) -> None:
    pickle.dump(message, pipe)
    pipe.flush()


def serve(orders: IO[bytes], answers: IO[bytes]) -> None:
    """Reduce what is asked for. When the daemon closes the pipe, or ends, this process ends."""
    store = Store.beside(pickle.load(orders))
    asked: queue.SimpleQueue[Order] = queue.SimpleQueue()
    threading.Thread(target=_listen, args=(orders, asked), name="orders", daemon=True).start()
    worksheets: dict[str, Worksheet] = {}
    with store:
        while True:
            order = asked.get()
            try:
                found = _reduced(order, store, worksheets)
            # The daemon meets the same error when it reduces this step itself.
            except Exception:
                found = None
            _send(answers, found)
            # Garbage is looked for here, while nobody waits. All that was loaded for the first
            # answer stays, and need not be looked through again.
            gc.collect()
            if gc.get_freeze_count() == 0:
                gc.freeze()


def _listen(orders: IO[bytes], asked: queue.SimpleQueue[Order]) -> None:
    """Take orders; end this process with the daemon, also in the middle of a reduction."""
    try:
        while True:
            asked.put(pickle.load(orders))
    finally:
        os._exit(0)


def _reduced(
    order: Order, store: Store, worksheets: dict[str, Worksheet]
) -> list[ReadyResult] | None:
    if order.job_id not in worksheets:
        worksheets.clear()
        worksheets[order.job_id] = store.worksheet(order.job_id)
    worksheet = worksheets[order.job_id]
    step = worksheet.steps[order.step_index]
    assert isinstance(step, ReduceStep)
    found = Reducer(order.bench, store).ready(order.job_id, worksheet, step)
    # What is damaged must be named by the daemon, so it has to read it.
    return None if store.damage() else found


def main() -> None:
    """The process's whole life. Its standard output carries answers, so whatever else is printed
    goes to standard error."""
    answers = os.fdopen(os.dup(sys.stdout.fileno()), "wb")
    os.dup2(sys.stderr.fileno(), sys.stdout.fileno())
    # Ctrl-C at a terminal reaches every process there; the daemon ends this one.
    signal.signal(signal.SIGINT, signal.SIG_IGN)
    os.nice(NICER)
    gc.disable()
    keep_freed_memory()
    with contextlib.suppress(BrokenPipeError):
        serve(sys.stdin.buffer, answers)


if __name__ == "__main__":
    # By its own name, since what is sent names the module of its class.
    from benchd.engine import reducing_process

    reducing_process.main()
