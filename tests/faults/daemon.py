"""The daemon dies, hangs, or cannot start again."""

from __future__ import annotations

import contextlib
import os
import signal
import subprocess
import threading
import time

import httpx

from tests.faults.registry import kind
from tests.faults.scene import Scene
from tests.faults.stage import PATIENCE_S
from tests.system.rigging import until


def _killed_in_a_sweep(scene: Scene) -> str:
    """A job, and the daemon killed at a drawn moment of it. The clock runs from the kill on, but
    only while somebody lives who could switch RF off."""
    job = scene.queue(points=scene.random.choice((41, 101)))
    scene.until_sweeping(job, scene.random.randrange(3))
    scene.moment()
    scene.note_committed()
    scene.stage.kill()
    scene.rf_must_be_off()
    return job


@kind
def kill_9_of_the_daemon(scene: Scene) -> None:
    """kill -9 at a drawn moment of a job, then a start."""
    job = _killed_in_a_sweep(scene)
    scene.stage.start()
    if scene.until_ended(job)["state"] != "done":
        scene.outcome.lost += 1
        scene.outcome.notes.append("the job did not go on")


@kind
def kill_9_again_while_it_starts(scene: Scene) -> None:
    """kill -9 in a job, and once more at a drawn moment of the start."""
    job = _killed_in_a_sweep(scene)
    scene.stage.failed_start(limit_s=scene.random.uniform(0.1, 4.0))
    scene.stage.start()
    scene.until_ended(job)


@kind
def sigterm_of_the_daemon(scene: Scene) -> None:
    """SIGTERM at a drawn moment of a job, then a start."""
    job = scene.queue(points=101)
    scene.until_sweeping(job, scene.random.randrange(3))
    scene.moment()
    scene.note_committed()
    scene.rf_must_be_off()
    scene.stage.terminate()
    scene.stage.start()
    scene.until_ended(job)


@kind
def daemon_hangs_and_is_killed(scene: Scene) -> None:
    """The whole process stands still, as a hung bench thread does; the service manager kills it
    and runs `benchd rf-off`."""
    job = scene.queue(points=101)
    scene.until_sweeping(job, scene.random.randrange(2))
    scene.note_committed()
    daemon = scene.daemon
    os.kill(daemon.popen.pid, signal.SIGSTOP)
    scene.moment()
    scene.stage.kill()
    scene.rf_must_be_off()
    scene.stage.rf_off_program()
    scene.stage.start()
    scene.until_ended(job)


@kind
def bench_file_with_a_typing_error(scene: Scene) -> None:
    """kill -9, and the bench file cannot be read at the next start."""
    job = _killed_in_a_sweep(scene)
    broken = scene.random.choice(("instruments:", "kind: source", "fixtures:", "bench: workshop"))
    scene.stage.bench.write_text(scene.stage.bench_text.replace(broken, broken[1:], 1))
    status = scene.stage.failed_start()
    assert status not in (0, None), f"a start on a broken bench file ended with {status}"
    _starts_again(scene, job)


@kind
def recipes_folder_is_missing(scene: Scene) -> None:
    """kill -9, and the folder of recipes is gone at the next start."""
    job = _killed_in_a_sweep(scene)
    scene.stage.recipes.rmdir()
    _perhaps_starts(scene)
    _starts_again(scene, job)


@kind
def a_pipe_among_the_recipes(scene: Scene) -> None:
    """A named pipe that nobody writes to lies among the recipes, and somebody asks for the list;
    the job goes on, can be withdrawn, and SIGTERM ends the daemon."""
    pipe = scene.stage.recipes / "pipe.yaml"
    os.mkfifo(pipe)
    try:
        job = scene.queue(points=201)
        scene.until_sweeping(job)
        daemon = scene.daemon
        asking = threading.Thread(target=_asks_for_recipes, args=(str(daemon.http.base_url),))
        asking.start()
        time.sleep(0.3)
        scene.rf_must_be_off()
        answer = daemon.http.post(f"/api/jobs/{job}/withdraw", timeout=20.0)
        assert answer.status_code == 200, answer.text
        began_s = time.monotonic()
        scene.stage.terminate()
        if time.monotonic() - began_s > 30.0:
            scene.outcome.notes.append("SIGTERM took more than 30 s")
        asking.join()
    finally:
        pipe.unlink()
    scene.stage.start()


def _asks_for_recipes(url: str) -> None:
    with contextlib.suppress(httpx.HTTPError):
        httpx.get(f"{url}/api/recipes", timeout=30.0, trust_env=False)


@kind
def data_folder_is_unusable(scene: Scene) -> None:
    """kill -9, and a file stands where the data folder was at the next start."""
    job = _killed_in_a_sweep(scene)
    aside = scene.stage.folder / "aside"
    scene.stage.data.rename(aside)
    scene.stage.data.write_text("in the way")
    scene.stage.failed_start()
    scene.stage.data.unlink()
    aside.rename(scene.stage.data)
    _starts_again(scene, job)


@kind
def nothing_can_be_written(scene: Scene) -> None:
    """kill -9, and no file can grow at the next start, as on a full disk or a read-only one."""
    job = _killed_in_a_sweep(scene)
    scene.stage.failed_start(("sh", "-c", 'ulimit -f 0; exec "$@"', "sh"), limit_s=15.0)
    _starts_again(scene, job)


@kind
def a_second_daemon(scene: Scene) -> None:
    """Another daemon on the same instruments, with a data folder of its own, while a person was
    asked to put hands into the box."""
    job = scene.queue(first='  - hands: {ask: "Fit the open."}\n')
    scene.daemon.until_state(job, "needs-hands")
    asked_s = time.monotonic()
    other = scene.stage.folder / "other"
    command = scene.stage.command(data=other, broker="none")
    with (scene.stage.folder / "other.log").open("ab") as log:
        second = subprocess.Popen(
            command, stdout=subprocess.PIPE, stderr=log, env=scene.stage.environ
        )
    try:
        assert second.stdout is not None
        line = second.stdout.readline()
        if line:
            scene.outcome.forgotten += 1
            scene.outcome.notes.append("a second daemon runs")
    finally:
        second.kill()
        second.wait()
        second.stdout.close()
    scene.hands_in_box(asked_s, time.monotonic())
    scene.daemon.http.post(f"/api/jobs/{job}/ready")
    scene.until_ended(job)


def _perhaps_starts(scene: Scene) -> None:
    """A start that may go well or not; either way RF must be off."""
    scene.stage.failed_start()


def _starts_again(scene: Scene, job: str) -> None:
    scene.stage.behave()
    scene.stage.start()
    until(lambda: scene.daemon.job(job), "the job to be there", PATIENCE_S)
    scene.until_ended(job)
