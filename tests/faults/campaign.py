"""Many runs by some workers, each with a stage of its own; what is done stands in a file."""

from __future__ import annotations

import contextlib
import json
import multiprocessing
import os
import signal
import sys
import tempfile
import threading
import time
import traceback
from collections.abc import Iterable, Iterator
from concurrent.futures import ProcessPoolExecutor, as_completed
from dataclasses import asdict
from pathlib import Path

from tests.faults import registry
from tests.faults.scene import Outcome, Scene
from tests.faults.stage import Stage

Task = tuple[str, int]
"""A kind and a seed."""

_stage: Stage | None = None


def tasks(kinds: Iterable[str], runs: int, seed: int) -> list[Task]:
    """`runs` runs over all kinds in turn, with the seeds seed, seed + 1, ..."""
    names = list(kinds)
    return [(names[number % len(names)], seed + number) for number in range(runs)]


@contextlib.contextmanager
def staged(folder: Path) -> Iterator[Stage]:
    """A stage, and its end whatever happens."""
    stage = Stage(folder)
    try:
        yield stage
    finally:
        stage.close()


def perform(stage: Stage, task: Task) -> Outcome:
    """One run, with its checks. What goes wrong in it is told in the outcome."""
    name, seed = task
    began_s = time.monotonic()
    scene = Scene(stage, name, seed)
    try:
        stage.begin()
        registry.load()[name](scene)
        scene.conclude()
    except Exception as error:
        where = traceback.extract_tb(error.__traceback__)
        at = next((one for one in reversed(where) if "/faults/" in one.filename), where[-1])
        text = " ".join(str(error).split()) or type(error).__name__
        shortened = text if len(text) < 400 else f"{text[:100]} ... {text[-300:]}"
        scene.outcome.trouble = f"{Path(at.filename).name}:{at.lineno}: {shortened}"
        with contextlib.suppress(Exception):
            scene.conclude()
    scene.outcome.took_s = round(time.monotonic() - began_s, 2)
    return scene.outcome


def _children() -> list[int]:
    """Processes that this one has started and that live."""
    found = []
    for folder in Path("/proc").glob("[0-9]*"):
        with contextlib.suppress(OSError):
            # The name stands in brackets and may hold anything; the parent is the second after it.
            parent = (folder / "stat").read_text().rpartition(")")[2].split()[1]
            found += [int(folder.name)] if parent == str(os.getpid()) else []
    return found


def _end_with(campaign: int) -> None:
    """In a worker process: end, with all its processes, where the campaign was broken off."""

    def watch() -> None:
        while os.getppid() == campaign:
            time.sleep(0.5)
        for child in _children():
            with contextlib.suppress(OSError):
                os.kill(child, signal.SIGKILL)
        os._exit(1)

    threading.Thread(target=watch, daemon=True).start()


def _worker(task: Task) -> Outcome:
    """In a worker process: the stage is built once, and anew after a run that ended in trouble."""
    global _stage
    if _stage is None:
        _stage = Stage(Path(tempfile.mkdtemp(prefix="faults-", dir=os.environ["FAULTS_FOLDER"])))
    outcome = perform(_stage, task)
    if outcome.trouble:
        with contextlib.suppress(Exception):
            _stage.close()
        _stage = None
    return outcome


def _close(_: int) -> None:
    global _stage
    if _stage is not None:
        _stage.close()
        _stage = None
    time.sleep(0.5)  # so that each worker takes one of these


def campaign(wanted: list[Task], workers: int, done: Path | None) -> list[Outcome]:
    """All runs; those that the file of earlier outcomes holds are not repeated."""
    outcomes = _read(done, wanted)
    known = {(one.kind, one.seed) for one in outcomes}
    left = [task for task in wanted if task not in known]
    context = multiprocessing.get_context("spawn")
    with tempfile.TemporaryDirectory(prefix="fault-campaign-") as folder:
        Path(folder).chmod(0o755)
        os.environ["FAULTS_FOLDER"] = folder
        with ProcessPoolExecutor(
            workers, mp_context=context, initializer=_end_with, initargs=(os.getpid(),)
        ) as pool:
            running = [pool.submit(_worker, task) for task in left]
            for number, future in enumerate(as_completed(running), 1):
                outcome = future.result()
                outcomes.append(outcome)
                if done is not None:
                    with done.open("a") as file:
                        file.write(json.dumps(asdict(outcome)) + "\n")
                if not outcome.held or number % 20 == 0:
                    print(f"{number} of {len(left)}: {shown(outcome)}", file=sys.stderr, flush=True)
            list(pool.map(_close, range(workers)))
    return outcomes


def shown(one: Outcome) -> str:
    """An outcome on one line."""
    said = [f"{one.kind}, seed {one.seed}: {'held' if one.held else 'DID NOT HOLD'}"]
    said += [f"{name} {getattr(one, name)}" for name in
             ("lost", "wrong_passes", "forgotten") if getattr(one, name)]  # fmt: skip
    said += [f"{name} {getattr(one, name):.2f}" for name in
             ("after_fault_s", "overdue_s", "hands_s") if getattr(one, name)]  # fmt: skip
    return "; ".join([*said, *one.notes, *([one.trouble] if one.trouble else [])])


def _read(done: Path | None, wanted: list[Task]) -> list[Outcome]:
    if done is None or not done.exists():
        return []
    found = [Outcome(**json.loads(line)) for line in done.read_text().splitlines()]
    return [one for one in found if (one.kind, one.seed) in set(wanted)]
