"""The daemon under systemd's eyes, and what becomes of one whose bench thread hangs."""

from __future__ import annotations

import socket
import sys
import threading
import time
from collections.abc import Iterator
from pathlib import Path

import pytest

from tests.patience import PATIENCE_S
from tests.system import rigging
from tests.system.rigging import Daemon, Simulator, ending, until
from tests.system.test_orders_kept import SLOW

STUCK = Path(__file__).parent / "stuck_daemon.py"


class Systemd:
    """systemd's end of the socket: keeps every datagram with the time at which it came."""

    def __init__(self, path: Path) -> None:
        self.heard: list[tuple[float, str]] = []
        self._socket = socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM)
        self._socket.bind(str(path))
        self._socket.settimeout(0.1)
        self._open = True
        self._reader = threading.Thread(target=self._read)
        self._reader.start()

    def _read(self) -> None:
        while self._open:
            try:
                text = self._socket.recv(4096).decode()
            except TimeoutError:
                continue
            self.heard.append((time.monotonic(), text))

    def count(self, word: str) -> int:
        return sum(word in text.split("\n") for _, text in list(self.heard))

    def status(self) -> str:
        """The newest line for `systemctl status`."""
        lines = [line for _, text in list(self.heard) for line in text.split("\n")]
        said = [line.removeprefix("STATUS=") for line in lines if line.startswith("STATUS=")]
        return said[-1] if said else ""

    def close(self) -> None:
        self._open = False
        self._reader.join(PATIENCE_S)
        self._socket.close()


@pytest.fixture
def systemd(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Iterator[Systemd]:
    monkeypatch.setenv("NOTIFY_SOCKET", str(tmp_path / "notify"))
    monkeypatch.setenv("WATCHDOG_USEC", "1500000")
    found = Systemd(tmp_path / "notify")
    yield found
    found.close()


def test_systemd_hears_ready_then_signs_of_life_then_stopping(
    tmp_path: Path, simulator: Simulator, systemd: Systemd
) -> None:
    daemon = Daemon(tmp_path, simulator, "none")
    with ending(daemon):
        until(lambda: systemd.count("READY=1") == 1, "READY")
        before = systemd.count("WATCHDOG=1")
        until(lambda: systemd.count("WATCHDOG=1") > before + 3, "signs of life")
        # A long sweep is no hang.
        job = daemon.queue_text(SLOW)
        until(lambda: systemd.status().startswith("a sweep is under way"), "the status line")
        during = systemd.count("WATCHDOG=1")
        until(lambda: systemd.count("WATCHDOG=1") > during + 8, "signs of life in a long sweep")
        assert daemon.job(job)["state"] == "running"
        assert systemd.count("STOPPING=1") == 0
        assert daemon.stop() == 0
    until(lambda: systemd.count("STOPPING=1") == 1, "STOPPING")
    assert systemd.count("READY=1") == 1


@pytest.fixture
def stuck(
    tmp_path: Path, simulator: Simulator, systemd: Systemd, monkeypatch: pytest.MonkeyPatch,
    request: pytest.FixtureRequest,
) -> Iterator[Daemon]:  # fmt: skip
    """A daemon that hangs, as the test asks, while its source radiates."""
    flag = tmp_path / "hang"
    monkeypatch.setenv("STUCK_WHEN", str(flag))
    monkeypatch.setenv("STUCK_WHAT", request.param)
    monkeypatch.setattr(rigging, "PROGRAM", (sys.executable, str(STUCK)))
    daemon = Daemon(tmp_path, simulator, "none")
    with ending(daemon):
        daemon.queue_text(SLOW)
        until(lambda: simulator.do("state")["rf_on"], "the sweep to radiate")
        until(lambda: systemd.count("WATCHDOG=1") > 0, "signs of life")
        flag.touch()
        yield daemon


@pytest.mark.parametrize("stuck", ["bench"], indirect=True)
def test_a_bench_thread_that_hangs_is_noticed_rf_goes_off_and_the_daemon_ends(
    stuck: Daemon, simulator: Simulator, systemd: Systemd, tmp_path: Path
) -> None:
    until(lambda: not simulator.do("state")["rf_on"], "RF to go off by another process")
    assert stuck.popen.wait(PATIENCE_S) == 1, "ended by itself, with RF verified off"
    log = stuck.log.read_text()
    assert "the bench thread hangs" in log
    said = [text for _, text in systemd.heard]
    assert any("NOT verified off: the bench thread hangs" in text for text in said)
    (tmp_path / "hang").unlink()
    again = Daemon(tmp_path, simulator, "none")
    with ending(again):
        until(lambda: simulator.do("state")["rf_on"], "the job to go on")


@pytest.mark.parametrize("stuck", ["loop"], indirect=True)
def test_an_event_loop_that_hangs_gives_no_sign_of_life(stuck: Daemon, systemd: Systemd) -> None:
    """systemd then ends the daemon: it waits for WatchdogSec= and no longer."""

    def silent() -> bool:
        newest = max(at for at, text in systemd.heard if text == "WATCHDOG=1")
        return time.monotonic() - newest > 6.0

    until(silent, "the signs of life to end")
    assert stuck.popen.poll() is None


@pytest.mark.parametrize("stuck", ["bench"], indirect=True)
def test_health_tells_of_a_bench_thread_that_hangs(stuck: Daemon) -> None:
    def told() -> bool:
        answer = stuck.http.get("/api/health")
        found = answer.json()
        if found["bench_thread"]["state"] != "hangs":
            return False
        assert answer.status_code == 503
        assert (
            "the bench thread hangs: benchd can no longer speak to the instruments"
            in (found["wake"])
        )
        return True

    until(told, "health to tell of it")
