"""A whole daemon whose database comes back from a backup: no new result is taken for an old one."""

from __future__ import annotations

import json
import shutil
from pathlib import Path
from typing import Any

import pytest

from benchd.publish import Subscriber
from tests.system.rigging import Daemon, Listener, Mosquitto, Simulator, ending, until

pytestmark = pytest.mark.needs("mosquitto")


class Reader:
    """Feeds our own subscriber what an independent one received."""

    def __init__(self, listener: Listener) -> None:
        self.subscriber = Subscriber(after=0)
        self.restarts = 0
        self._listener = listener
        self._read = 0

    def kinds(self) -> list[tuple[str, str]]:
        """Job and kind of each result that arrived since the last call."""
        found = []
        for topic, message in list(self._listener.messages)[self._read :]:
            self._read += 1
            reading = self.subscriber.feed(topic, json.dumps(message))
            self.restarts += reading.restarted
            if topic.endswith("/result"):
                found.append((message["job"], reading.kind))
        return found


def measured(daemon: Daemon, listener: Listener) -> str:
    """A job whose results have all arrived."""
    job = daemon.queue("return-loss", points="101")

    def told() -> Any:
        return [one for one in listener.on(f"/job/{job}") if one["state"] in ("done", "failed")]

    assert until(told, "the job to end")[-1]["state"] == "done"
    return job


def test_results_after_a_restored_backup_are_new(
    tmp_path: Path, simulator: Simulator, mosquitto: Mosquitto, listener: Listener
) -> None:
    reader, data = Reader(listener), tmp_path / "data"
    database = data / "benchd.sqlite"

    def run(*, kill: bool) -> None:
        daemon = Daemon(tmp_path, simulator, mosquitto.url)
        with ending(daemon):
            if not reader.restarts and not reader.kinds():
                daemon.until_state(daemon.queue("open-short-baseline", points="101"), "done")
            job = measured(daemon, listener)
            if not kill:
                assert daemon.stop() == 0
        kinds = [kind for name, kind in reader.kinds() if name == job]
        assert kinds
        assert set(kinds) == {"new"}
        assert reader.subscriber.gaps == ()

    run(kill=False)
    shutil.copytree(data, tmp_path / "backup")
    run(kill=True)
    run(kill=True)
    assert reader.restarts == 0
    epoch = reader.subscriber.epoch
    # The file alone is copied back, then the log of SQLite is deleted, then the whole folder.
    for trouble in ("copied", "log deleted", "folder"):
        if trouble == "folder":
            shutil.rmtree(data)
            shutil.copytree(tmp_path / "backup", data)
        else:
            for log in data.glob("benchd.sqlite-*"):
                log.unlink()
            if trouble == "copied":
                shutil.copy(tmp_path / "backup" / database.name, database)
        before = reader.restarts
        run(kill=True)
        assert reader.restarts == before + 1
        assert reader.subscriber.epoch != epoch
        epoch = reader.subscriber.epoch
        run(kill=True)
        assert (reader.restarts, reader.subscriber.epoch) == (before + 1, epoch)
