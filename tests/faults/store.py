"""The disk is full, the database is damaged, or a backup takes its place."""

from __future__ import annotations

import resource
import shutil
import sqlite3

from tests.faults.registry import kind
from tests.faults.scene import Scene
from tests.faults.stage import PATIENCE_S
from tests.system.rigging import until


@kind
def disk_full_in_a_job(scene: Scene) -> None:
    """No file of the daemon can grow for a while; then there is room again."""
    job = scene.queue(points=101)
    scene.until_sweeping(job, scene.random.randrange(3))
    scene.note_committed()
    pid = scene.daemon.popen.pid
    _, hard = resource.prlimit(pid, resource.RLIMIT_FSIZE)
    resource.prlimit(pid, resource.RLIMIT_FSIZE, (4096, hard))
    try:
        scene.moment(4.0)
    finally:
        resource.prlimit(pid, resource.RLIMIT_FSIZE, (hard, hard))
    if scene.until_ended(job)["state"] != "done":
        scene.outcome.lost += 1


@kind
def database_damaged_at_a_start(scene: Scene) -> None:
    """kill -9 in a sweep, and the database is unreadable at the next start; then a copy of what
    was there is put back."""
    job = scene.queue(points=101)
    scene.until_sweeping(job, scene.random.randrange(1, 3))
    scene.note_committed()
    scene.stage.kill()
    scene.rf_must_be_off()
    data, kept = scene.stage.data, scene.stage.folder / "kept"
    shutil.rmtree(kept, ignore_errors=True)
    shutil.copytree(data, kept)
    for file in data.glob("benchd.sqlite*"):
        if file.suffix in (".sqlite", ".sqlite-wal"):
            file.write_bytes(scene.random.randbytes(20_000))
    scene.stage.failed_start()
    for file in data.glob("benchd.sqlite*"):
        file.unlink()
    for file in kept.glob("benchd.sqlite*"):
        shutil.copyfile(file, data / file.name)
    scene.stage.start()
    scene.until_ended(job)


@kind
def database_is_empty_at_a_start(scene: Scene) -> None:
    """kill -9 in a sweep, and an empty file stands where the database was; then a copy of what
    was there is put back. A bench that has forgotten everything must not just begin anew."""
    job = scene.queue(points=101)
    scene.until_sweeping(job, scene.random.randrange(1, 3))
    scene.note_committed()
    scene.stage.kill()
    scene.rf_must_be_off()
    copy = scene.stage.backup("before.sqlite")
    for file in scene.stage.data.glob("benchd.sqlite-*"):
        if file.suffix != ".lock":
            file.unlink()
    (scene.stage.data / "benchd.sqlite").write_bytes(b"")
    if scene.stage.failed_start() is None:
        scene.outcome.forgotten += 1
        scene.outcome.notes.append("an empty file was taken for a new bench")
    scene.stage.restore(copy)
    scene.stage.start()
    scene.until_ended(job)


@kind
def one_row_damaged(scene: Scene) -> None:
    """One stored capture is spoiled on the disk while the daemon is stopped."""
    job = scene.queue(points=41)
    scene.until_ended(job)
    scene.note_committed()
    scene.stage.terminate()
    database = sqlite3.connect(scene.stage.data / "benchd.sqlite")
    captures = database.execute("select id from captures where job_id = ?", (job,)).fetchall()
    chosen = scene.random.choice(captures)[0]
    _spoil(database, chosen, scene.random.randbytes(64))
    database.close()
    scene.spared.add(chosen)
    scene.stage.start()
    answer = scene.daemon.http.get("/api/captures", params={"job": job})
    assert answer.status_code == 200, answer.text


def _spoil(database: sqlite3.Connection, capture: str, noise: bytes) -> None:
    columns = [row[1:3] for row in database.execute("pragma table_info(traces)")]
    (blob,) = [name for name, form in columns if "BLOB" in form.upper()][:1]
    database.execute(f"update traces set {blob} = ? where capture_id = ?", (noise, capture))
    database.commit()


@kind
def backup_restored(scene: Scene) -> None:
    """A copy of the database is made, a job runs, the copy takes the database's place, and
    another job runs: its results must reach who has read all the others."""
    scene.until_ended(scene.queue(points=11))
    copy = scene.stage.backup("copy.sqlite")
    later = scene.queue(points=11)
    scene.until_ended(later)
    until(lambda: _heard(scene, later), "the results before the restore", PATIENCE_S)
    scene.stage.terminate()
    scene.stage.restore(copy)
    scene.jobs.remove(later)  # the copy does not know it: that is what a restore costs
    scene.stage.start()
    scene.until_ended(scene.queue(points=11))


def _heard(scene: Scene, job: str) -> bool:
    shown = scene.daemon.http.get("/api/results", params={"job": job, "limit": 1000}).json()
    return {row["id"] for row in shown} <= scene.stage.witness.results
